//! The example controller among doubles of its peripherals: a hand at the panel, an EEPROM on I2C, a path instead of
//! motors.

mod eeprom;
mod hand;
mod job;
mod path;

use core::cell::Cell;

use eeprom::Eeprom;
use gapkeeper::memory::{I2cEeprom, Region};
use gapkeeper::store::slot_size;
use gapkeeper::{Fade, Keeper, KeeperSettings, Lattice, LoadError};
use gapkeeper_controller::{Controller, ControllerStore, GRIDS, STATIONS};

use crate::programme::Digest;

pub use job::{REPORTED_LINES, run};
pub use path::Path;

/// Heights of the simulator's demo bed at its stations, row by row from the front left one, in micrometres.
///
/// The desktop's test holds them against the simulator.
pub const HEIGHTS_UM: [i16; 9] = [-54, 18, -125, 20, 139, 13, -139, 24, -38];

/// The stations of the simulator's demo.
pub const STATIONS_AT: Lattice =
    Lattice { x0_um: 20_000, y0_um: 20_000, pitch_x_um: 95_000, pitch_y_um: 80_000, columns: 3, rows: 3 };

/// Why a machine came to a stop.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fault {
    /// The controller refuses, or what should have come of it did not.
    Controller,
    /// The store does not hold what it should.
    Store,
    /// A line of the job is longer than the machine's buffer.
    Line,
}

/// What the EEPROM keeps while the machine is off. A caller with little memory has it stand still.
pub struct Cells(Cell<[u8; eeprom::SIZE]>);

impl Cells {
    /// As they come from the factory.
    pub const fn blank() -> Self {
        Self(Cell::new([0xFF; eeprom::SIZE]))
    }

    /// Digest of all of them.
    pub fn digest(&self) -> [u32; 2] {
        let mut digest = Digest::new();
        let cells: &Cell<[u8]> = &self.0;
        cells.as_slice_of_cells().iter().for_each(|cell| digest.word(cell.get().into()));
        digest.value()
    }
}

/// The controller of the machine, a path in the place of its motors.
pub type MachineController = Controller<Path>;

/// Settings of the simulator's demo; no lowest height, so that the desktop may compare with its bare correction.
pub fn settings() -> KeeperSettings {
    KeeperSettings { fade: Fade::new(400, 8_000).ok(), ..KeeperSettings::default() }
}

/// A machine that has just been switched on, in a place of the caller's: it knows what is stored. A memory as it comes from
/// the factory is begun, since this build knows that it may be new.
///
/// # Errors
/// [`Fault`] if keeper or store refuse.
// Never inlined, here and below: each step has the whole stack of a small chip for itself.
#[inline(never)]
pub fn switched_on<'a>(
    place: &'a mut Option<MachineController>,
    cells: &Cells,
) -> Result<&'a mut MachineController, Fault> {
    let controller = place.insert(new_controller()?);
    let store = &mut store(cells)?;
    let loaded = match controller.load(store) {
        Err(LoadError::Blank) => controller.begin_memory(store),
        loaded => loaded,
    };
    loaded.map_err(|_| Fault::Store)?;
    Ok(controller)
}

#[inline(never)]
fn new_controller() -> Result<MachineController, Fault> {
    let keeper = Keeper::new(settings()).map_err(|_| Fault::Controller)?;
    Ok(Controller::new(keeper, Path::at_origin()))
}

/// Measures the bed by hand and saves what was measured.
///
/// # Errors
/// [`Fault`] if anything on the way does not go as it should.
#[inline(never)]
pub fn measure(controller: &mut MachineController, cells: &Cells) -> Result<(), Fault> {
    let store = &mut store(cells)?;
    hand::survey(controller, store)?;
    controller.save(store).map_err(|_| Fault::Store)
}

type MachineStore<'a> = ControllerStore<I2cEeprom<Eeprom<'a>, eeprom::NoDelay>>;

fn store(cells: &Cells) -> Result<MachineStore<'_>, Fault> {
    let region = Region {
        first_address: eeprom::PAGE,
        slot_size: slot_size(STATIONS, eeprom::PAGE as usize) as u32,
        slot_count: 2 + 2 * GRIDS as u32,
    };
    let bus = Eeprom::new(&cells.0);
    let memory = I2cEeprom::new(bus, eeprom::NoDelay, eeprom::PART, region).map_err(|_| Fault::Store)?;
    ControllerStore::new(memory).map_err(|_| Fault::Store)
}
