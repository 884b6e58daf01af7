//! Tables as people paste them: what is read, what is ambiguous, and what is refused.

#![allow(clippy::unwrap_used, reason = "a test stops at the first surprise")]

use gapkeeper_host_tools::grid_file::{Fact, GridFileErrorKind, GridFormat, LengthUnit, Loss, MissingFacts, RowOrder};

fn facts() -> MissingFacts {
    MissingFacts {
        unit: Some(LengthUnit::Millimetre),
        rows: Some(RowOrder::FirstFront),
        origin_um: Some((0, 0)),
        pitch_um: Some((10_000, 10_000)),
        ..MissingFacts::default()
    }
}

fn heights(text: &str, facts: &MissingFacts) -> Vec<i16> {
    let reading = GridFormat::Matrix.parse("pasted.txt", text.as_bytes(), facts);
    reading.unwrap_or_else(|error| panic!("{text}\n{error}")).document.grid.nodes_um().to_vec()
}

fn message(text: &str, facts: &MissingFacts) -> String {
    GridFormat::Matrix.parse("pasted.txt", text.as_bytes(), facts).unwrap_err().to_string()
}

const HEIGHTS: [i16; 6] = [12, -30, 8, 5, -41, 0];

#[test]
fn what_stands_around_a_table_is_understood() {
    for text in [
        "0.012 -0.030 0.008\n0.005 -0.041 0\n",
        "+0.012\t-0.03\t+.008\r\n\r\n0.005\t-0.041\t0.\r\n\r\n",
        "[[0.012, -0.030, 0.008],\n [0.005, -0.041, 0.000]]\n",
        "[ [0.012,-0.030,0.008] ,\n[0.005,-0.041,0.000] ]",
        "{ 1.2e-2; -3e-2; 8E-3 }\n{ 5e-3; -0.041; 0e0 }",
        "measured heights:\n\n> 0.012 -0.030 0.008\n> 0.005 -0.041 0.000\nok\n> \n",
        "host>0.012 -0.030 0.008\nhost>0.005 -0.041 0.000\n",
        "host$ 0.012 -0.030 0.008\nhost$ 0.005 -0.041 0.000\n",
        "0: 0.012 -0.030 0.008\n1: 0.005 -0.041 0.000\n",
        "0 | 0.012 -0.030 0.008\n1 | 0.005 -0.041 0.000\n",
        "Row 0: 0.012 -0.030 0.008\nRow 1: 0.005 -0.041 0.000\n",
        "y1 0.012 -0.030 0.008\ny2 0.005 -0.041 0.000\n",
        "Z: 0.012 -0.030 0.008\nZ: 0.005 -0.041 0.000\n",
        "       0      1      2\n0: 0.012 -0.030 0.008\n1: 0.005 -0.041 0.000\n",
        "       1      2      3\n\n1 0.012 -0.030 0.008\n2 0.005 -0.041 0.000\n",
        "+-------+--------+-------+\n| 0.012 | -0.030 | 0.008 |\n+-------+--------+-------+\n| 0.005 | -0.041 | 0 |\n",
        "\u{feff}0.012mm -0.030mm 0.008mm\n0.005 mm -0.041 mm 0.000 mm\n",
        "\"0.012\",\"-0.030\",\"0.008\"\n\"0.005\",\"-0.041\",\"0.000\"\n",
    ] {
        assert_eq!(heights(text, &facts()), HEIGHTS, "{text}");
    }
    let no_unit = MissingFacts { unit: None, ..facts() };
    assert_eq!(heights("12um -30um 8um\n5 \u{b5}m -41\u{3bc}m 0um", &no_unit), HEIGHTS);
    assert_eq!(heights("12um -0.030mm 0.008mm\n5um -41um 0um", &no_unit), HEIGHTS);
    let reading = GridFormat::Matrix.parse("pasted.txt", b"0.0124 1\n1 0.00001", &facts()).unwrap();
    assert_eq!(reading.losses, [Loss::Rounded { numbers: 2 }]);
}

#[test]
fn two_ways_to_read_are_shown_with_what_decides() {
    let text = "0 0.1 0.2\n1 0.3 0.4\n";
    let expected = "\
pasted.txt: the text can be read in 2 ways:
    2 rows of 3 heights, beginning with 0  0.1  0.2
    2 rows of 2 heights behind row labels, beginning with 0.1  0.2
  what decides is whether rows begin with labels (--row-labels yes or no)
  say which is meant";
    assert_eq!(message(text, &facts()), expected);
    let with = |row_labels| MissingFacts { row_labels: Some(row_labels), ..facts() };
    assert_eq!(heights(text, &with(true)), [100, 200, 300, 400]);
    assert_eq!(heights(text, &with(false)), [0, 100, 200, 1000, 300, 400]);

    let text = "0 1 2\n0.1 0.2 0.3\n0.4 0.5 0.6\n";
    let with = |column_labels| MissingFacts { column_labels: Some(column_labels), ..facts() };
    let error = GridFormat::Matrix.parse("pasted.txt", text.as_bytes(), &facts()).unwrap_err();
    let GridFileErrorKind::Ambiguous(readings) = error.kind() else { panic!("{error}") };
    assert_eq!(readings.decide.0, [Fact::ColumnLabels]);
    assert_eq!(readings.readings.len(), 2);
    assert_eq!(heights(text, &with(true)), [100, 200, 300, 400, 500, 600]);
    assert_eq!(heights(text, &with(false)), [0, 1000, 2000, 100, 200, 300, 400, 500, 600]);

    let text = "0,125 0,250\n0,375 0,500\n";
    let error = GridFormat::Matrix.parse("pasted.txt", text.as_bytes(), &facts()).unwrap_err();
    let GridFileErrorKind::Ambiguous(readings) = error.kind() else { panic!("{error}") };
    assert_eq!(readings.decide.0, [Fact::DecimalComma]);
    let with = |decimal_comma, unit| MissingFacts { decimal_comma: Some(decimal_comma), unit: Some(unit), ..facts() };
    assert_eq!(heights(text, &with(true, LengthUnit::Millimetre)), [125, 250, 375, 500]);
    assert_eq!(heights(text, &with(false, LengthUnit::Micrometre)), [0, 125, 0, 250, 0, 375, 0, 500]);

    // All in one: labels of rows and columns, or a table of whole numbers.
    let text = "0 1 2\n1 2 3\n2 3 4\n";
    let error = GridFormat::Matrix.parse("pasted.txt", text.as_bytes(), &facts()).unwrap_err();
    let GridFileErrorKind::Ambiguous(readings) = error.kind() else { panic!("{error}") };
    assert_eq!(readings.decide.0, [Fact::RowLabels, Fact::ColumnLabels]);
    assert_eq!(readings.readings.len(), 3);
    let said = MissingFacts { row_labels: Some(true), column_labels: Some(false), ..facts() };
    assert!(message("0.1 0.2\n0.3 0.4", &said).starts_with("pasted.txt: the table has no such labels or commas"));
}

#[test]
fn whatever_is_no_height_is_refused_with_its_place() {
    let expected = "\
pasted.txt:2:7: \"nan\" stands where a height should
  0.005 nan 0.000
        ^
  every node needs a height: measure it, or fill it in";
    assert_eq!(message("0.012 -0.030 0.008\n0.005 nan 0.000\n", &facts()), expected);
    for (text, start) in [
        ("nan nan nan\n0.1 0.2 0.3\n0.1 0.2 0.3", "pasted.txt:1:1: \"nan\" stands where a height should"),
        ("0.1 0.2 0.3\n0.1 0.2 0.3\n- - -", "pasted.txt:3:3: \"-\" stands where a height should"),
        ("0.1 --- 0.3\n0.1 0.2 0.3", "pasted.txt:1:5: \"---\" stands where a height should"),
        ("0.1 0.2 0.3\n0.1 0.2\n0.1 0.2 0.3", "pasted.txt:2:1: 2 numbers on this line, and 3 on most lines"),
        ("0.1 0.2\n0.1 0.2\n0.1 0.2 0.3", "pasted.txt:3:1: 3 numbers on this line, and 2 on most lines"),
        ("0.1\n0.1 0.2\n0.1 0.2", "pasted.txt:1:1: 1 numbers on this line, and 2 on most lines"),
        ("0.1 0.2\n0.1 0.2 0.3", "pasted.txt:1:1: there is no table"),
        ("3x3 heights\n0.1 0.2\n0.3 0.4", "pasted.txt:1:1: \"3x3\" is neither a height nor a label"),
        ("0.1 0.2 ok\n0.3 0.4", "pasted.txt:1:9: \"ok\" is neither a height nor a label"),
        ("# 0.1 0.2\n0.3 0.4", "pasted.txt:1:1: \"#\" is neither a height nor a label"),
        ("0.1 0.2.3\n0.3 0.4", "pasted.txt:1:5: \"0.2.3\" is neither a height nor a label"),
        ("0.1 0.2 in\n0.3 0.4", "pasted.txt:1:9: \"in\" is neither a height nor a label"),
        ("0.1>0.2 0.3\n0.3 0.4 0.5", "pasted.txt:1:1: \"0.1>0.2\" is neither a height nor a label"),
        ("0.1 0.2\nsecond table\n0.3 0.4", "pasted.txt:3:1: the table is interrupted before this line"),
        ("0.1 0.2\n0.1 0.2\n\n0.3 0.4\n0.3 0.4", "pasted.txt:4:1: the table is interrupted before this line"),
        ("0.1 0.2\n0.1 0.2\n0.3 0.4\n\n0.3 0.4", "pasted.txt:5:1: the table is interrupted before this line"),
        ("0.1mm 0.2um\n9 0.1um", "pasted.txt:1:7: the unit here is um, but mm was stated"),
        ("0.1 0.2\n0.3 9", "pasted.txt:2:5: the node at row 2, column 2 is 9000 um high"),
        ("0.1\n0.2", "pasted.txt:1:1: there is no table"),
        ("", "pasted.txt: there is no table"),
        ("\u{b0}1 2\n3 4", "pasted.txt:1:1: "),
    ] {
        let message = message(text, &facts());
        assert!(message.starts_with(start), "{text}\n{message}");
    }
    let wide = format!("{}\n", "0.1 ".repeat(17)).repeat(2);
    assert!(message(&wide, &facts()).starts_with("pasted.txt:1:1: there is no table of 2 to 16 rows"));
    let bytes = GridFormat::Matrix.parse("pasted.txt", b"0.1 \xFF\n0.1 0.2", &facts()).unwrap_err().to_string();
    assert!(bytes.starts_with("pasted.txt:1:5: \"\u{fffd}\" is neither"), "{bytes}");
}

/// The row order and the unit are never guessed, however plain they look.
#[test]
fn row_order_and_unit_are_asked_for() {
    let text = "0.012 -0.030 0.008\n0.005 -0.041 0\n";
    for (facts, word) in [
        (MissingFacts { rows: None, ..facts() }, "the row order (--rows first-front or first-back)"),
        (MissingFacts { unit: None, ..facts() }, "the unit (--unit um or mm)"),
        (MissingFacts { origin_um: None, ..facts() }, "the place of the first node (--origin X,Y)"),
        (MissingFacts { pitch_um: None, ..facts() }, "the distance of the nodes (--pitch X,Y)"),
    ] {
        assert_eq!(
            message(text, &facts),
            format!("pasted.txt: this must be known, and the file does not say it: {word}\n  say all of it")
        );
    }
}
