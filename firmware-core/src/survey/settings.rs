//! What a survey needs to know besides its stations.

/// What a survey needs to know besides its stations. Heights are machine heights.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct SurveySettings {
    /// Bed temperature at which the grid shall hold.
    pub bed_temperature_c: i16,
    /// Nozzle temperature while measuring; a hot nozzle is longer.
    pub nozzle_temperature_c: i16,
    /// How far either may be off.
    pub temperature_window_c: u8,
    /// How long both must have been right before the first reading.
    pub soak_s: u16,
    /// Thickness of the paper or blade in the gap.
    pub feeler_um: u16,
    /// One detent of the knob.
    pub detent_um: u16,
    /// Where the nozzle waits above the first station; surely above the bed everywhere.
    pub start_um: i32,
    /// Height above the highest reading so far at which the nozzle waits above every further station.
    pub clearance_um: u16,
    /// Further height for travelling.
    pub lift_um: u16,
    /// No order goes below this.
    pub lowest_um: i32,
    /// Change at the first station that is still no reason to doubt the round.
    pub closure_limit_um: u16,
    /// A reading farther than this from what all others predict is offered for one more look.
    pub outlier_limit_um: u16,
    /// How far the bed must be raised when the limit switch was in the way.
    pub headroom_um: u16,
    /// Whether up to four check stations, in the middle of cells, are visited as well.
    pub check_stations: bool,
}

impl Default for SurveySettings {
    /// Cold, with office paper (100 µm; U-1 to U-3 of the project's sources), a knob of 10 µm and careful limits.
    fn default() -> Self {
        Self {
            bed_temperature_c: 20,
            nozzle_temperature_c: 20,
            temperature_window_c: 3,
            soak_s: 300,
            feeler_um: 100,
            detent_um: 10,
            start_um: 1000,
            clearance_um: 300,
            lift_um: 2000,
            lowest_um: -1000,
            closure_limit_um: 40,
            outlier_limit_um: 150,
            headroom_um: 500,
            check_stations: false,
        }
    }
}
