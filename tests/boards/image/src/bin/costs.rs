//! Counts what each call costs and prints it: a name, the sum of all counts, and over how many.
//!
//! Every sum is net of the same loop around a function that does nothing.

#![no_std]
#![no_main]

use core::hint::black_box;

use gapkeeper::{
    Arc, Correction, Fade, Flow, HeightGrid, Keeper, KeeperSettings, Lattice, Move, Plane, Point, Split, StoredGrid,
    Surface, Turn,
};
use gapkeeper_board_image::count::count;
use gapkeeper_board_image::line::line;
use gapkeeper_board_image::stack::deepest;
use gapkeeper_board_programme::programme::Numbers;

gapkeeper_board_image::panics_fail!();

const PITCH_UM: u32 = 25_000;
const NODES: u8 = 9;
const MOVES: u32 = 48;
const LENGTH_UM: i32 = 85_000;

/// 85 mm in sixteen directions: cosine and sine of the multiples of 22.5 degrees, in thousandths.
const DIRECTIONS: [(i32, i32); 4] = [(1_000, 0), (924, 383), (707, 707), (383, 924)];

type Bed = Correction<81>;

#[repr(C)]
struct NaiveGrid {
    x0_mm: f32,
    y0_mm: f32,
    pitch_x_mm: f32,
    pitch_y_mm: f32,
    height_mm: [[f32; 9]; 9],
}

unsafe extern "C" {
    safe fn naive_mm(um: i32) -> f32;
    fn naive_height(grid: &NaiveGrid, x_mm: f32, y_mm: f32) -> f32;
    fn naive_split(grid: &NaiveGrid, from_to_mm: &[f32; 4], z_mm: f32, end: &mut [f32; 3]) -> core::ffi::c_int;
}

/// 200 mm square, bowed by 0.3 mm along each axis and twisted a little: what a real plate is like.
fn height_um(column: u8, row: u8) -> i32 {
    let (u, v) = (i32::from(column) - 4, i32::from(row) - 4);
    300 - (u * u + v * v) * 150 / 16 + u * v * 2
}

fn lattice() -> Lattice {
    Lattice { x0_um: 0, y0_um: 0, pitch_x_um: PITCH_UM, pitch_y_um: PITCH_UM, columns: NODES, rows: NODES }
}

fn bed() -> Option<Bed> {
    Correction::new(HeightGrid::from_fn(lattice(), height_um).ok()?).with_shift(-20).ok()
}

fn faded() -> Option<Bed> {
    bed()?.with_fade(Fade::new(500, 9_500).ok()?).ok()
}

/// One cell with all the twist that a bed can have: a straight path across it bends most.
fn twisted() -> Option<Correction<4>> {
    let lattice = Lattice { columns: 2, rows: 2, pitch_x_um: 200_000, pitch_y_um: 200_000, ..lattice() };
    Some(Correction::new(HeightGrid::new(lattice, &[0, 8_000, 8_000, 0]).ok()?))
}

#[inline(never)]
fn nothing(_: &Bed, x_um: i32, _: i32, _: i32) -> i32 {
    x_um
}

#[inline(never)]
fn height(bed: &Bed, x_um: i32, y_um: i32, _: i32) -> i32 {
    bed.grid().height_um(x_um, y_um)
}

#[inline(never)]
fn machine(bed: &Bed, x_um: i32, y_um: i32, z_um: i32) -> i32 {
    bed.machine_z_um(x_um, y_um, z_um)
}

#[inline(never)]
fn logical(bed: &Bed, x_um: i32, y_um: i32, z_um: i32) -> i32 {
    bed.logical_z_um(x_um, y_um, z_um)
}

type Call = fn(&Bed, i32, i32, i32) -> i32;

/// Sum over 400 random places inside the grid and heights inside the fade.
fn at_places(call: Call, bed: &Bed) -> u32 {
    let mut numbers = Numbers::new(99);
    count(&mut || {
        for _ in 0..400 {
            let (x_um, y_um) = (numbers.between(0, 199_999), numbers.between(0, 199_999));
            let z_um = numbers.between(600, 9_400);
            black_box(black_box(call)(black_box(bed), x_um, y_um, z_um));
        }
    })
}

#[inline(never)]
fn no_float(_: &NaiveGrid, x_mm: f32, _: f32) -> f32 {
    x_mm
}

#[inline(never)]
fn c_height(grid: &NaiveGrid, x_mm: f32, y_mm: f32) -> f32 {
    // SAFETY: the grid has the layout of the C structure and outlives the call.
    unsafe { naive_height(grid, x_mm, y_mm) }
}

fn at_float_places(call: fn(&NaiveGrid, f32, f32) -> f32, grid: &NaiveGrid) -> u32 {
    let mut numbers = Numbers::new(99);
    count(&mut || {
        for _ in 0..100 {
            let (x_mm, y_mm) = (naive_mm(numbers.between(0, 199_999)), naive_mm(numbers.between(0, 199_999)));
            black_box(black_box(call)(black_box(grid), x_mm, y_mm));
        }
    })
}

/// A level move of 85 mm in any direction from a random place, inside the grid.
fn motion(index: u32, numbers: &mut Numbers) -> Move<1> {
    let (cos, sin) = DIRECTIONS.get((index % 4) as usize).copied().unwrap_or((1_000, 0));
    let (dx_um, dy_um) = (LENGTH_UM / 1_000 * cos, LENGTH_UM / 1_000 * sin);
    let mirrored = |start_um: i32, length_um: i32, back: bool| {
        if back { (start_um + length_um, start_um) } else { (start_um, start_um + length_um) }
    };
    let (x0, x1) = mirrored(numbers.between(1, 199_998 - dx_um), dx_um, index & 4 != 0);
    let (y0, y1) = mirrored(numbers.between(1, 199_998 - dy_um), dy_um, index & 8 != 0);
    Move {
        start: Point { x_um: x0, y_um: y0, z_um: 200 },
        end: Point { x_um: x1, y_um: y1, z_um: 200 },
        extra_start: [0],
        extra_end: [4_000],
    }
}

#[inline(never)]
fn no_move<const NODES: usize>(_: &Correction<NODES>, motion: &Move<1>, _: &mut u32) {
    black_box(motion);
}

/// The whole move, every piece given away.
#[inline(never)]
fn whole_move<const NODES: usize>(bed: &Correction<NODES>, motion: &Move<1>, pieces: &mut u32) {
    if let Ok(split) = &mut bed.split(motion, 2) {
        for piece in split {
            black_box(&piece);
            *pieces += 1;
        }
    }
}

/// The whole move inside the fade.
#[inline(never)]
fn fading_move<const NODES: usize>(bed: &Correction<NODES>, motion: &Move<1>, pieces: &mut u32) {
    whole_move(bed, &raised(motion), pieces);
}

/// The same with `E` scaled.
#[inline(never)]
fn scaled_move<const NODES: usize>(bed: &Correction<NODES>, motion: &Move<1>, pieces: &mut u32) {
    let mut flow = Flow::new();
    if let Ok(split) = &mut bed.split(&raised(motion), 2) {
        while let Some(piece) = split.next_scaled(&mut flow) {
            black_box(&piece);
            *pieces += 1;
        }
    }
}

/// A move half-way up through the fade.
fn raised(motion: &Move<1>) -> Move<1> {
    let mut motion = *motion;
    (motion.start.z_um, motion.end.z_um) = (5_000, 5_000);
    motion
}

/// What happens before the first piece.
#[inline(never)]
fn begin_move<const NODES: usize>(bed: &Correction<NODES>, motion: &Move<1>, _: &mut u32) {
    if let Ok(split) = bed.split(motion, 2) {
        black_box(&split);
    }
}

/// The same up to the first piece.
#[inline(never)]
fn first_piece<const NODES: usize>(bed: &Correction<NODES>, motion: &Move<1>, _: &mut u32) {
    if let Ok(mut split) = bed.split(motion, 2) {
        black_box(split.next());
        black_box(&split);
    }
}

type MoveCall = fn(&Bed, &Move<1>, &mut u32);

/// Sum over all moves, and the number of pieces.
fn over_moves<const NODES: usize>(
    call: fn(&Correction<NODES>, &Move<1>, &mut u32),
    bed: &Correction<NODES>,
) -> (u32, u32) {
    let mut numbers = Numbers::new(4_711);
    let (mut sum, mut pieces) = (0, 0);
    for index in 0..MOVES {
        let motion = motion(index, &mut numbers);
        sum += count(&mut || black_box(call)(black_box(bed), black_box(&motion), &mut pieces));
        let empty: fn(&Correction<NODES>, &Move<1>, &mut u32) = no_move;
        sum -= count(&mut || black_box(empty)(black_box(bed), black_box(&motion), &mut pieces));
    }
    (sum, pieces)
}

fn moves<const NODES: usize>(whole: &str, begin: &str, bed: &Correction<NODES>) {
    let (sum, pieces) = over_moves(whole_move, bed);
    line(whole, &[sum, MOVES, pieces]);
    let (sum, _) = over_moves(begin_move, bed);
    line(begin, &[sum, MOVES]);
}

/// The same moves by the naive splitter in C.
fn naive_moves(grid: &NaiveGrid) {
    let mut numbers = Numbers::new(4_711);
    let (mut sum, mut parts) = (0, 0);
    for index in 0..MOVES {
        let motion = motion(index, &mut numbers);
        let from_to_mm = [
            naive_mm(motion.start.x_um),
            naive_mm(motion.start.y_um),
            naive_mm(motion.end.x_um),
            naive_mm(motion.end.y_um),
        ];
        let mut end = [0.0; 3];
        sum += count(&mut || {
            // SAFETY: the layouts are those of the C declaration, and all of it outlives the call.
            parts += unsafe { naive_split(black_box(grid), black_box(&from_to_mm), 0.2, &mut end) } as u32;
        });
        sum -= count(&mut || {
            black_box(&from_to_mm);
            parts += black_box(0);
        });
    }
    line("naive_move", &[sum, MOVES, parts]);
}

fn arc() -> Option<Arc<1>> {
    let at = Point { x_um: 60_000, y_um: 100_000, z_um: 200 };
    let motion = Move { start: at, end: at, extra_start: [0], extra_end: [4_000] };
    Arc::with_centre(motion, Plane::Xy, Turn::Anticlockwise, [30_000, 10_000]).ok()
}

fn chords() {
    let Some(arc) = arc() else { return };
    let mut set_up = 0;
    let (mut sum, mut chords) = (0, 0);
    set_up += count(&mut || {
        black_box(black_box(&arc).chords(10).is_ok());
    });
    set_up -= count(&mut || {
        black_box(black_box(&arc));
    });
    if let Ok(mut iterator) = arc.chords(10) {
        sum += count(&mut || {
            for chord in &mut iterator {
                black_box(&chord);
                chords += 1;
            }
        });
    }
    line("chord", &[sum, chords]);
    line("arc_begin", &[set_up, 1]);
}

/// The deepest way through the motion path: a spiral's move inside the fade of a twisted, 15 by 15 bed's cell.
static mut STACK_BED: Option<Bed> = None;

#[inline(never)]
fn motion_path() {
    let pointer = &raw const STACK_BED;
    // SAFETY: written once before, by the only thread there is.
    let Some(bed) = (unsafe { &*pointer }) else { return };
    let mut pieces = 0;
    let mut numbers = Numbers::new(4_711);
    let mut motion = motion(1, &mut numbers);
    motion.end.z_um = 700;
    whole_move(bed, &motion, &mut pieces);
    black_box(machine(bed, 90_000, 90_000, 700));
    black_box(logical(bed, 90_000, 90_000, 700));
}

/// A keeper with a grid of nine stations, which comes into force as 15 by 15 nodes.
static mut STACK_KEEPER: Option<Keeper<9, 225, 1>> = None;

fn stack_keeper() -> &'static mut Option<Keeper<9, 225, 1>> {
    let pointer = &raw mut STACK_KEEPER;
    // SAFETY: the only thread there is, and no caller keeps it.
    unsafe { &mut *pointer }
}

#[inline(never)]
fn new_keeper() {
    *stack_keeper() = Keeper::without_memory(KeeperSettings::default()).ok();
}

#[inline(never)]
fn take_grid() {
    let lattice = Lattice { columns: 3, rows: 3, pitch_x_um: 100_000, pitch_y_um: 100_000, ..lattice() };
    let Ok(grid) = HeightGrid::from_fn(lattice, |column, row| height_um(4 * column, 4 * row)) else { return };
    let stored = StoredGrid {
        grid,
        shift_um: -20,
        fade: Fade::new(500, 9_500).ok(),
        bed_temperature_c: 60,
        setup: 0,
        closure_um: 0,
        closure_accepted: false,
        surface: Surface::Refined,
        tie: None,
    };
    if let Some(keeper) = stack_keeper() {
        keeper.temperature(60, 200, 0);
        black_box(keeper.homed());
        black_box(keeper.adopt(stored).is_ok());
    }
}

#[inline(never)]
fn home() {
    if let Some(keeper) = stack_keeper() {
        black_box(keeper.homed());
    }
}

/// Before anything else, for a small chip has little stack to spare for it.
#[inline(never)]
fn stack_of_homing() {
    new_keeper();
    take_grid();
    let bytes = deepest(home) - deepest(no_motion);
    let is_in_force = stack_keeper().as_ref().is_some_and(|keeper| keeper.correction_in_force().is_some());
    line("stack_restored", &[if is_in_force { bytes } else { 0 }]);
}

/// What painting and calling cost by themselves.
#[inline(never)]
fn no_motion() {
    black_box(&raw const STACK_BED);
}

#[unsafe(no_mangle)]
extern "C" fn board_main() {
    stack_of_homing();
    counts();
}

#[inline(never)]
fn counts() {
    let (Some(bed), Some(faded), Some(twisted)) = (bed(), faded(), twisted()) else {
        gapkeeper_board_image::end(false);
    };
    let empty = at_places(nothing, &bed);
    line("height", &[at_places(height, &bed) - empty, 400]);
    line("machine", &[at_places(machine, &bed) - empty, 400]);
    line("machine_fading", &[at_places(machine, &faded) - empty, 400]);
    line("logical", &[at_places(logical, &bed) - empty, 400]);
    line("logical_fading", &[at_places(logical, &faded) - empty, 400]);
    moves("move", "move_begin", &bed);
    moves("twisted_move", "twisted_begin", &twisted);
    for (name, call) in [("fading_move", fading_move as MoveCall), ("scaled_move", scaled_move)] {
        let (sum, pieces) = over_moves(call, &faded);
        line(name, &[sum, MOVES, pieces]);
    }
    let (sum, _) = over_moves(first_piece, &twisted);
    line("twisted_first", &[sum, MOVES]);
    chords();

    let mut naive = NaiveGrid { x0_mm: 0.0, y0_mm: 0.0, pitch_x_mm: 25.0, pitch_y_mm: 25.0, height_mm: [[0.0; 9]; 9] };
    for (row, heights_mm) in (0..NODES).zip(&mut naive.height_mm) {
        for (column, height_mm) in (0..NODES).zip(heights_mm) {
            *height_mm = naive_mm(height_um(column, row));
        }
    }
    line("naive_height", &[at_float_places(c_height, &naive) - at_float_places(no_float, &naive), 100]);
    naive_moves(&naive);

    // SAFETY: the only thread there is.
    unsafe { STACK_BED = Some(faded) };
    line("stack", &[deepest(motion_path) - deepest(no_motion)]);
    line("split_bytes", &[size_of::<Split<'_, 81, 1>>() as u32]);
    line("keeper_3x3", &[size_of::<Keeper<9, 9, 1>>() as u32, size_of::<Keeper<9, 9, 4>>() as u32]);
    line("keeper_5x5", &[size_of::<Keeper<25, 25, 1>>() as u32, size_of::<Keeper<25, 25, 4>>() as u32]);
    line("keeper_3x3_refined", &[size_of::<Keeper<9, 225, 1>>() as u32, size_of::<Keeper<9, 225, 4>>() as u32]);
    line("keeper_15x15", &[size_of::<Keeper<225, 225, 1>>() as u32, size_of::<Keeper<225, 225, 4>>() as u32]);
}
