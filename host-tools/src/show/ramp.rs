//! The colours of heights: from low and dark blue to high and light sand.
//!
//! Lightness rises all the way, so that the order stays on grey paper and for eyes that see fewer colours.

/// Red, green and blue.
pub(super) type Colour = [u8; 3];

/// Low, middle and high; own choice.
const STOPS: [Colour; 3] = [[0x4b, 0x7f, 0xa6], [0x9c, 0xc7, 0xbd], [0xf6, 0xed, 0xc4]];

/// The colour at a share of the way from low, 0, to high, 1.
pub(super) fn ramp(share: f64) -> Colour {
    let place = share.clamp(0.0, 1.0) * 2.0;
    let index = if place < 1.0 { 0 } else { 1 };
    let part = place - index as f64;
    let (from, to) = (STOPS[index], STOPS[index + 1]);
    [0, 1, 2].map(|channel| {
        let (from, to) = (f64::from(from[channel]), f64::from(to[channel]));
        // Between two bytes.
        (from + (to - from) * part).round() as u8
    })
}

/// As SVG wants it.
pub(super) fn hex([r, g, b]: Colour) -> String {
    format!("#{r:02x}{g:02x}{b:02x}")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::picture::vision::{Vision, difference, lightness};

    /// Ten bands are as many as a map has.
    #[test]
    fn bands_rise_in_lightness_and_differ_for_every_eye() {
        let bands: Vec<String> = (0..10).map(|band| hex(ramp(f64::from(band) / 9.0))).collect();
        for pair in bands.windows(2) {
            let rise = lightness(&pair[1]) - lightness(&pair[0]);
            assert!(rise >= 3.0, "{pair:?}: {rise:.1}");
            for vision in Vision::ALL {
                let difference = difference(&pair[0], &pair[1], vision);
                assert!(difference >= 4.0, "{pair:?} for {vision:?}: {difference:.1}");
            }
        }
        assert_eq!((bands[0].as_str(), bands[9].as_str()), ("#4b7fa6", "#f6edc4"));
    }
}
