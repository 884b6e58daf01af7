//! The physical part of a scenario: what the plate is made of and held by, what the nozzle hangs on, and how warm it is.

use serde::Deserialize;

use super::{Bounded, Extent, NotNegative, Positive, Scenario, Share};

/// Temperature at which stated lengths hold (ISO 1:2016, clause 3).
pub const REFERENCE_TEMPERATURE_C: f64 = 20.0;

/// A temperature that a bench-top machine can have.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(try_from = "f64")]
pub struct Celsius(pub f64);

impl TryFrom<f64> for Celsius {
    type Error = String;

    fn try_from(value: f64) -> Result<Self, String> {
        if (-40.0..=500.0).contains(&value) { Ok(Self(value)) } else { Err(format!("{value} °C: use -40 to 500")) }
    }
}

/// An elastic plate in place of an ideal one: it sags, bows and grows.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Plate {
    /// What it is made of.
    pub material: Material,
    /// Its thickness, at most a quarter of its shorter side.
    pub thickness_mm: Positive,
    /// What carries it.
    pub held: Held,
    /// By how much the upper face is cooler than the lower, as a share of what the bed is warmer than the room.
    #[serde(default)]
    pub cooler_above_share: SignedShare,
    /// Forces on the plate.
    #[serde(default)]
    pub clamps: Vec<Clamp>,
}

/// A share of -1 to 1.
#[derive(Clone, Copy, Debug, Default, PartialEq, Deserialize)]
#[serde(try_from = "f64")]
pub struct SignedShare(pub f64);

impl TryFrom<f64> for SignedShare {
    type Error = String;

    fn try_from(value: f64) -> Result<Self, String> {
        Share::try_from(value.abs()).map(|_| Self(value)).map_err(|_| format!("{value} must be -1 to 1"))
    }
}

/// What a plate is made of.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Material {
    /// Aluminium alloy 6061-T6, rolled or extruded.
    #[serde(rename = "aluminium_6061")]
    Aluminium6061,
    /// Aluminium alloy 5083, the one that cast tooling plate is near to.
    #[serde(rename = "aluminium_5083")]
    Aluminium5083,
    /// Window glass (soda-lime, EN 572-1).
    FloatGlass,
    /// Borosilicate glass 3.3 (ISO 3585).
    BorosilicateGlass,
    /// Carbon spring steel.
    SpringSteel,
    /// Stainless spring steel 1.4310.
    StainlessSpringSteel,
}

/// What carries a plate.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Held {
    /// Only the screws, which hold it down as well as up; its edges are free.
    AtScrews,
    /// A frame below all four edges, which it cannot leave but may tilt on; the frame follows the screws.
    AlongEdges,
}

/// A force on a plate.
#[derive(Clone, Copy, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Clamp {
    /// Where, X.
    pub x_mm: Bounded,
    /// Where, Y.
    pub y_mm: Bounded,
    /// How much; positive presses down.
    pub force_n: Bounded,
}

/// The beam along X that carries the nozzle, and the rails on which it travels along Y.
#[derive(Clone, Copy, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Gantry {
    /// Where the beam rests.
    pub ends_x_mm: Extent,
    /// How far the middle of the beam hangs below its ends by its own weight.
    #[serde(default)]
    pub own_sag_um: NotNegative,
    /// How much farther it hangs with the carriage in the middle.
    #[serde(default)]
    pub carriage_sag_um: NotNegative,
    /// How much higher than the plane the nozzle passes over the corner of the travel at the largest X and Y, and how
    /// much lower over its neighbours: the rails are not parallel.
    #[serde(default)]
    pub twist_um: Bounded,
}

/// The nozzle and what it hangs on.
#[derive(Clone, Copy, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Nozzle {
    /// Length of what gets as warm as the nozzle, from its cold end to the tip.
    pub hot_length_mm: Positive,
    /// How much it grows; left out: brass.
    #[serde(default = "brass")]
    pub expansion_um_per_m_c: NotNegative,
}

/// CuZn39Pb3, 20 to 300 °C: a maker's sheet (MP-7 of the published check values).
fn brass() -> NotNegative {
    NotNegative(21.0)
}

/// The air around the machine.
#[derive(Clone, Copy, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Room {
    /// Its temperature.
    pub temperature_c: Celsius,
}

impl Default for Room {
    fn default() -> Self {
        Self { temperature_c: Celsius(REFERENCE_TEMPERATURE_C) }
    }
}

/// How warm the machine is while the job runs.
#[derive(Clone, Copy, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Printing {
    /// Left out: as while measuring.
    pub bed_temperature_c: Option<Celsius>,
    /// Left out: as while measuring.
    pub nozzle_temperature_c: Option<Celsius>,
}

/// How warm the machine is at some time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Warmth {
    /// Of the bed.
    pub bed_c: f64,
    /// Of the nozzle.
    pub nozzle_c: f64,
}

impl Scenario {
    /// How warm it is while the stations are read.
    pub fn warmth_measuring(&self) -> Warmth {
        Warmth { bed_c: self.measuring.bed_temperature_c.into(), nozzle_c: self.measuring.nozzle_temperature_c.into() }
    }

    /// How warm it is while the job runs.
    pub fn warmth_printing(&self) -> Warmth {
        let measuring = self.warmth_measuring();
        let or = |stated: Option<Celsius>, otherwise| stated.map_or(otherwise, |celsius| celsius.0);
        Warmth {
            bed_c: or(self.printing.bed_temperature_c, measuring.bed_c),
            nozzle_c: or(self.printing.nozzle_temperature_c, measuring.nozzle_c),
        }
    }
}
