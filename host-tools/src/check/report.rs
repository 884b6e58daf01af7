//! A report as text for people and as JSON for scripts.

use std::fmt;

use serde_json::{Value, json};

use super::{CheckReport, NodePlace, Severity};
use crate::estimate::Band;
use crate::grid_file::surface_word;

/// Raised when a key of the JSON changes its meaning or goes away; new keys may come at any time.
pub const SCHEMA_VERSION: u32 = 1;

impl CheckReport {
    /// The report as one JSON object.
    ///
    /// | key | what |
    /// |---|---|
    /// | `schema_version` | [`SCHEMA_VERSION`] |
    /// | `outcome` | `fine`, `warning` or `unusable`: the gravest of all |
    /// | `verdicts` | list of objects |
    /// | … `kind` | [`super::Finding::word`], or `unreadable` for a file that is no grid |
    /// | … `severity` | `warning` or `unusable` |
    /// | … `place` | `null`, or `column` and `row` from 1, `x_um`, `y_um` |
    /// | … `reason`, `remedy` | sentences; their wording may change |
    /// | `unchecked` | list of objects with `kind`, that of the verdicts that could not be come to, and `reason` |
    /// | `surface`, `surface_reason` | `bilinear` or `refined`; [`crate::grid_file::SurfaceReason::word`] |
    /// | `tie` | `null`, or `count` of ties since the last whole survey and `residual_um` of the last one |
    /// | `age_days` | `null`, or days since the grid's file was written |
    /// | `flatness` | `null`, or lengths in micrometres: `lspl_fltt_um`, `lspl_fltp_um`, `lspl_fltv_um`, `lspl_fltq_um`, `mzpl_fltt_um` |
    /// | `band` | `null`, or how sure the surface is with 95 %: [`Band::to_json`] |
    /// | `lowest`, `highest` | places as above, with `height_um` |
    pub fn to_json(&self) -> Value {
        let verdicts: Vec<Value> = self
            .verdicts
            .iter()
            .map(|verdict| {
                json!({
                    "kind": verdict.finding.word(),
                    "severity": verdict.finding.severity().to_string(),
                    "place": verdict.place.map(place_json),
                    "reason": verdict.finding.to_string(),
                    "remedy": verdict.finding.remedy(),
                })
            })
            .collect();
        let unchecked: Vec<Value> = self
            .unchecked
            .iter()
            .map(|unchecked| json!({ "kind": unchecked.word(), "reason": unchecked.to_string() }))
            .collect();
        let flatness = self.flatness.map(|flatness| {
            json!({
                "lspl_fltt_um": flatness.least_squares_um,
                "lspl_fltp_um": flatness.peak_um,
                "lspl_fltv_um": flatness.valley_um,
                "lspl_fltq_um": flatness.rms_um,
                "mzpl_fltt_um": flatness.minimum_zone_um,
            })
        });
        json!({
            "schema_version": SCHEMA_VERSION,
            "outcome": self.severity().map_or("fine".to_owned(), |severity| severity.to_string()),
            "verdicts": verdicts,
            "unchecked": unchecked,
            "surface": surface_word(self.surface.surface),
            "surface_reason": self.surface.reason.word(),
            "tie": self.tie.map(|tie| json!({ "count": tie.count(), "residual_um": tie.residual_um() })),
            "age_days": self.age_days,
            "flatness": flatness,
            "band": self.band.as_ref().map(Band::to_json),
            "lowest": height_json(self.lowest),
            "highest": height_json(self.highest),
        })
    }
}

/// What stands for a report where there is no grid to check.
pub fn unreadable_json(reason: &str) -> Value {
    json!({
        "schema_version": SCHEMA_VERSION,
        "outcome": Severity::Unusable.to_string(),
        "verdicts": [{
            "kind": "unreadable",
            "severity": Severity::Unusable.to_string(),
            "place": null,
            "reason": reason,
            "remedy": "give a file that is a whole grid",
        }],
        "unchecked": [],
        "surface": null,
        "surface_reason": null,
        "tie": null,
        "age_days": null,
        "flatness": null,
        "band": null,
        "lowest": null,
        "highest": null,
    })
}

fn place_json(place: NodePlace) -> Value {
    json!({ "column": place.column, "row": place.row, "x_um": place.x_um, "y_um": place.y_um })
}

fn height_json((place, height_um): (NodePlace, i16)) -> Value {
    let mut json = place_json(place);
    json["height_um"] = height_um.into();
    json
}

/// Verdicts with their remedies, what was not checked, and the flatness.
impl fmt::Display for CheckReport {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.verdicts.is_empty() {
            writeln!(out, "fine: nothing speaks against it")?;
        }
        for verdict in &self.verdicts {
            write!(out, "{}: ", verdict.finding.severity())?;
            if let Some(place) = verdict.place {
                write!(out, "{place}: ")?;
            }
            writeln!(out, "{}", verdict.finding)?;
            writeln!(out, "  {}", verdict.finding.remedy())?;
        }
        for unchecked in &self.unchecked {
            writeln!(out, "not checked: {unchecked}")?;
        }
        writeln!(out, "surface: {}", self.surface)?;
        if let Some(tied) = self.tied() {
            writeln!(out, "tie: {tied}")?;
        }
        if let Some(days) = self.age_days {
            writeln!(out, "age: the file was written {days} days ago; the readings may be older")?;
        }
        if let Some(flatness) = self.flatness {
            writeln!(
                out,
                "flatness: {:.1} um about the least-squares plane (LSPL FLTt; +{:.1}, -{:.1}, RMS {:.1}), {:.1} um minimum \
                 zone (MZPL FLTt)",
                flatness.least_squares_um,
                flatness.peak_um,
                flatness.valley_um,
                flatness.rms_um,
                flatness.minimum_zone_um
            )?;
        }
        if let Some(band) = self.band {
            writeln!(out, "band: {band}")?;
        }
        let ((lowest, lowest_um), (highest, highest_um)) = (self.lowest, self.highest);
        writeln!(out, "lowest: {lowest_um} um at {lowest}")?;
        writeln!(out, "highest: {highest_um} um at {highest}")
    }
}
