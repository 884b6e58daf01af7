//! The example controller among doubles: it measures a bed, saves, begins anew and runs a job of G-code lines.

#![no_std]
#![no_main]

use gapkeeper_board_image::line::{digest_line, line};
use gapkeeper_board_image::stack::deepest;
use gapkeeper_board_image::{end, job_byte};
use gapkeeper_board_programme::machine::{self, Cells, Fault, MachineController};

gapkeeper_board_image::panics_fail!();

/// What stays in memory all the time, off the stack.
struct Lasting {
    cells: Cells,
    controller: Option<MachineController>,
}

static mut LASTING: Lasting = Lasting { cells: Cells::blank(), controller: None };

fn run() -> Result<(), Fault> {
    let lasting = &raw mut LASTING;
    // SAFETY: the only thread there is, and this function is called once.
    let Lasting { cells, controller } = unsafe { &mut *lasting };
    let machine = machine::switched_on(controller, cells)?;
    machine::measure(machine, cells)?;
    digest_line("survey", machine.motors().pieces(), machine.motors().digest());
    digest_line("memory", 0, cells.digest());
    let machine = machine::switched_on(controller, cells)?;
    machine.scale_flow(false);
    job(machine, "job")?;
    // The AVR holds the job's beginning only, which does not fade.
    if cfg!(not(target_arch = "avr")) {
        job(machine::switched_on(controller, cells)?, "scaled_job")?;
    }
    Ok(())
}

fn job(machine: &mut MachineController, name: &str) -> Result<(), Fault> {
    let mut index = 0;
    let next = || {
        let byte = job_byte(index);
        index += 1;
        byte
    };
    machine::run(machine, next, |lines, digest| digest_line(name, lines, digest))
}

#[unsafe(no_mangle)]
extern "C" fn board_main() {
    // On the AVR the end of all data is near: a stack that reaches it fails the run.
    let stack = deepest(|| {
        if run().is_err() {
            end(false);
        }
    });
    line("stack_controller", &[stack]);
}
