//! What a file does not say about itself and its reader or writer must be told.

use std::fmt;

use gapkeeper::Surface;

/// The unit of lengths that stand in a file without one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LengthUnit {
    /// Thousandths of a millimetre.
    Micrometre,
    /// Millimetres.
    Millimetre,
}

impl LengthUnit {
    /// Micrometres in one unit.
    pub(super) const fn um(self) -> i32 {
        match self {
            LengthUnit::Micrometre => 1,
            LengthUnit::Millimetre => 1000,
        }
    }
}

impl fmt::Display for LengthUnit {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str(match self {
            LengthUnit::Micrometre => "um",
            LengthUnit::Millimetre => "mm",
        })
    }
}

/// Which edge of the bed the first row of a table belongs to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RowOrder {
    /// The first row is at the smallest Y.
    FirstFront,
    /// The first row is at the largest Y, as the bed looks from above.
    FirstBack,
}

/// What is not in a file, as far as the caller knows it.
///
/// A fact is used only where the file leaves it open ([`facts_of_reading`](super::GridFormat::facts_of_reading) and
/// [`facts_of_writing`](super::GridFormat::facts_of_writing) list them); one that is needed and not given is an error that names it, never a
/// default.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct MissingFacts {
    /// Unit of all lengths that have none.
    pub unit: Option<LengthUnit>,
    /// Which edge the first row belongs to.
    pub rows: Option<RowOrder>,
    /// X of the first column, Y of the row at the front.
    pub origin_um: Option<(i32, i32)>,
    /// Distance between columns and between rows.
    pub pitch_um: Option<(u32, u32)>,
    /// Bed temperature while the grid was measured.
    pub bed_temperature_c: Option<i16>,
    /// The mechanical state of the bed that the grid belongs to.
    pub setup: Option<u32>,
    /// Where the record begins in the image of the memory.
    pub address: Option<u32>,
    /// How many times too high heights are drawn.
    pub exaggeration: Option<u32>,
    /// Whether each row begins with its label.
    pub row_labels: Option<bool>,
    /// Whether the first row holds labels of the columns.
    pub column_labels: Option<bool>,
    /// Whether commas between digits are decimal commas.
    pub decimal_comma: Option<bool>,
    /// How far a point may be from its place on the lattice.
    pub snap_um: Option<u32>,
    /// The surface that a record says ([`super::GridDocument::surface_choice`]); without it the document's.
    pub surface: Option<Surface>,
}

/// One of the [`MissingFacts`]; shown in words and with its option of `gapgrid`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fact {
    /// [`MissingFacts::unit`].
    Unit,
    /// [`MissingFacts::rows`].
    Rows,
    /// [`MissingFacts::origin_um`].
    Origin,
    /// [`MissingFacts::pitch_um`].
    Pitch,
    /// [`MissingFacts::bed_temperature_c`].
    BedTemperature,
    /// [`MissingFacts::setup`].
    Setup,
    /// [`MissingFacts::address`].
    Address,
    /// [`MissingFacts::exaggeration`].
    Exaggeration,
    /// [`MissingFacts::row_labels`].
    RowLabels,
    /// [`MissingFacts::column_labels`].
    ColumnLabels,
    /// [`MissingFacts::decimal_comma`].
    DecimalComma,
    /// [`MissingFacts::snap_um`].
    Snap,
    /// [`MissingFacts::surface`].
    Surface,
}

impl Fact {
    /// Every fact.
    pub const ALL: [Fact; 13] = [
        Fact::Unit,
        Fact::Rows,
        Fact::Origin,
        Fact::Pitch,
        Fact::BedTemperature,
        Fact::Setup,
        Fact::Address,
        Fact::Exaggeration,
        Fact::RowLabels,
        Fact::ColumnLabels,
        Fact::DecimalComma,
        Fact::Snap,
        Fact::Surface,
    ];
}

impl fmt::Display for Fact {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str(match self {
            Fact::Unit => "the unit (--unit um or mm)",
            Fact::Rows => "the row order (--rows first-front or first-back)",
            Fact::Origin => "the place of the first node (--origin X,Y)",
            Fact::Pitch => "the distance of the nodes (--pitch X,Y)",
            Fact::BedTemperature => "the bed temperature (--bed-temperature C)",
            Fact::Setup => "the setup it belongs to (--setup N)",
            Fact::Address => "the address of the record (--address A)",
            Fact::Exaggeration => "how much heights are exaggerated (--exaggeration N)",
            Fact::RowLabels => "whether rows begin with labels (--row-labels yes or no)",
            Fact::ColumnLabels => "whether the first row is labels (--column-labels yes or no)",
            Fact::DecimalComma => "whether commas are decimal (--decimal-comma yes or no)",
            Fact::Snap => "how far points may be off the lattice (--snap UM)",
            Fact::Surface => "the surface between stations (--surface bilinear or refined)",
        })
    }
}

impl MissingFacts {
    /// Whether a fact is given.
    pub fn has(&self, fact: Fact) -> bool {
        match fact {
            Fact::Unit => self.unit.is_some(),
            Fact::Rows => self.rows.is_some(),
            Fact::Origin => self.origin_um.is_some(),
            Fact::Pitch => self.pitch_um.is_some(),
            Fact::BedTemperature => self.bed_temperature_c.is_some(),
            Fact::Setup => self.setup.is_some(),
            Fact::Address => self.address.is_some(),
            Fact::Exaggeration => self.exaggeration.is_some(),
            Fact::RowLabels => self.row_labels.is_some(),
            Fact::ColumnLabels => self.column_labels.is_some(),
            Fact::DecimalComma => self.decimal_comma.is_some(),
            Fact::Snap => self.snap_um.is_some(),
            Fact::Surface => self.surface.is_some(),
        }
    }
}

/// Facts, shown as a list in words.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FactList(pub Vec<Fact>);

impl fmt::Display for FactList {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (index, fact) in self.0.iter().enumerate() {
            let lead = if index == 0 { "" } else { "; " };
            write!(out, "{lead}{fact}")?;
        }
        Ok(())
    }
}
