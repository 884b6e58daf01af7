//! The record of the persistent memory, byte for byte as the core writes it.
//!
//! A record that is written belongs to no slot: a store takes it as a grid all the same, until it saves one of its own. A
//! record that is read may belong to any.

use gapkeeper::StoredGrid;
use gapkeeper::record::{self, decode_grid, encode_grid, max_record_size};

use super::error::given;
use super::loss::{plate, readings};
use super::{CAPACITY, Fact, GridDocument, GridFileErrorKind as Kind, Loss, MissingFacts, Reading, SurveyMarks};

/// The most bytes of a record.
pub(super) const LARGEST_BYTES: usize = max_record_size(CAPACITY);

/// A file that is one record and nothing else.
pub(super) fn parse(bytes: &[u8]) -> Result<Reading, Kind> {
    let (reading, length) = parse_first(bytes)?;
    if length < bytes.len() {
        return Err(Kind::AfterRecord { length, found: bytes.len() });
    }
    Ok(reading)
}

/// The record at the start of these bytes, and its length.
pub(super) fn parse_first(bytes: &[u8]) -> Result<(Reading, usize), Kind> {
    let record = decode_grid::<CAPACITY>(bytes).map_err(Kind::Record)?;
    // The core has checked that the length at its place in the frame is the record's.
    let length = bytes.get(6..8).map_or(0, |two| usize::from(u16::from_le_bytes([two[0], two[1]])));
    let stored = record.value;
    let document = GridDocument {
        shift_um: stored.shift_um.into(),
        fade: stored.fade,
        bed_temperature_c: Some(stored.bed_temperature_c),
        survey: Some(SurveyMarks {
            closure_um: stored.closure_um,
            closure_accepted: stored.closure_accepted,
            surface: stored.surface,
            tie: stored.tie,
        }),
        ..GridDocument::of_heights(stored.grid)
    };
    let sequence = Some(record.sequence).filter(|sequence| *sequence != 0).map(Loss::Sequence);
    let slot = record.binding.map(|binding| Loss::Slot(binding.slot));
    Ok((Reading { document, setup: Some(stored.setup), losses: sequence.into_iter().chain(slot).collect() }, length))
}

/// The record of a document, as save number 0.
///
/// A temperature or a setup that nobody knows is asked for: the core would act on whatever stood there.
pub(super) fn render(document: &GridDocument, facts: &MissingFacts) -> Result<(Vec<u8>, Vec<Loss>), Kind> {
    let stored = stored(document, facts)?;
    let surface = stored.surface;
    let mut bytes = vec![0; LARGEST_BYTES];
    let length = encode_grid(&stored, 0, &mut bytes).map_err(Kind::Record)?;
    bytes.truncate(length);
    let no_survey = document.survey.is_none().then_some(Loss::NoSurvey(surface));
    let lowest = document.lowest_machine_z_um.map(Loss::LowestMachineZUm);
    Ok((bytes, no_survey.into_iter().chain(lowest).chain(readings(document)).chain(plate(document)).collect()))
}

/// A document as a machine remembers it.
pub(super) fn stored(document: &GridDocument, facts: &MissingFacts) -> Result<StoredGrid<CAPACITY>, Kind> {
    let told = MissingFacts { bed_temperature_c: document.bed_temperature_c, ..facts.clone() };
    told.need(&[Fact::BedTemperature, Fact::Setup])?;
    let out_of_range = gapkeeper::CorrectionError::Shift { shift_um: document.shift_um };
    let surface = document.surface_choice(facts.surface).surface;
    let none = SurveyMarks { closure_um: 0, closure_accepted: false, surface, tie: None };
    let marks = document.survey.unwrap_or(none);
    Ok(StoredGrid {
        grid: document.grid.clone(),
        shift_um: i16::try_from(document.shift_um)
            .map_err(|_| Kind::Record(record::RecordError::Correction(out_of_range)))?,
        fade: document.fade,
        bed_temperature_c: given(told.bed_temperature_c, Fact::BedTemperature)?,
        setup: given(told.setup, Fact::Setup)?,
        closure_um: marks.closure_um,
        closure_accepted: marks.closure_accepted,
        surface,
        tie: marks.tie,
    })
}
