//! Lengths and counts of nodes on the command line: millimetres outside, whole micrometres inside.

/// A place, X and Y.
pub fn place_um(text: &str) -> Result<(i32, i32), String> {
    let (x, y) = text.split_once(',').ok_or("give X and Y in millimetres, such as 10,12.5")?;
    Ok((whole_um(x)?, whole_um(y)?))
}

/// Millimetres with up to three decimals as micrometres, without a float on the way.
pub fn whole_um(text: &str) -> Result<i32, String> {
    let wrong = || format!("{text:?} is not a number of millimetres with up to three decimals, below 2147483");
    let (sign, digits) = text.strip_prefix('-').map_or((1, text), |digits| (-1, digits));
    let (whole, fraction) = digits.split_once('.').unwrap_or((digits, ""));
    let is_digits = |text: &str| text.bytes().all(|byte| byte.is_ascii_digit());
    if whole.is_empty() || !is_digits(whole) || !is_digits(fraction) || fraction.len() > 3 {
        return Err(wrong());
    }
    let um: i64 = format!("{whole}{fraction:0<3}").parse().map_err(|_| wrong())?;
    i32::try_from(sign * um).map_err(|_| wrong())
}

/// Columns and rows of a grid.
pub fn node_counts(text: &str) -> Result<(u8, u8), String> {
    let pair = text.split_once('x').and_then(|(columns, rows)| Some((columns.parse().ok()?, rows.parse().ok()?)));
    pair.ok_or_else(|| "give columns and rows, such as 13x9".to_owned())
}
