//! Moves and arcs through the C functions give the pieces of the core, and what changes the keeper stops a move.

#[macro_use]
mod session;

use gapkeeper::{Correction, Fade, Flow, HeightGrid, Lattice, Move, Point};
use gapkeeper_c_api::*;
use session::{HEIGHTS_UM, LATTICE, MOTION, Session, arc, grid, settings, zeroed};

/// The same bed in the core.
fn correction() -> Correction<225> {
    let GapkeeperLattice { x0_um, y0_um, pitch_x_um, pitch_y_um, columns, rows } = LATTICE;
    let lattice = Lattice { x0_um, y0_um, pitch_x_um, pitch_y_um, columns, rows };
    let grid = HeightGrid::<25>::new(lattice, &HEIGHTS_UM).expect("a grid").densest().expect("a denser one");
    Correction::new(grid).with_fade(Fade::new(400, 8000).expect("a fade")).expect("long enough")
}

/// A coordinate on the bed and around it.
fn noise(state: &mut u32, range_um: u32) -> i32 {
    // Numerical Recipes, 2nd ed., 7.1.
    *state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
    ((u64::from(*state) * u64::from(range_um)) >> 32) as i32
}

fn of(GapkeeperPoint { x_um, y_um, z_um }: GapkeeperPoint) -> Point {
    Point { x_um, y_um, z_um }
}

/// A move over the bed and around it, for C and for the core.
fn any_move(state: &mut u32) -> (GapkeeperMove, Move<1>) {
    let mut point = || {
        let (x_um, y_um) = (noise(state, 240_000) - 10_000, noise(state, 220_000) - 10_000);
        GapkeeperPoint { x_um, y_um, z_um: noise(state, 9000) }
    };
    let motion = GapkeeperMove { start: point(), end: point(), extra_start: [-5], extra_end: [12_345] };
    let GapkeeperMove { start, end, extra_start, extra_end } = motion;
    (motion, Move { start: of(start), end: of(end), extra_start, extra_end })
}

#[test]
fn pieces_are_those_of_the_core() {
    let correction = correction();
    let mut s = Session::begun();
    let (mut state, mut count) = (7, 0);
    for _ in 0..300 {
        let (motion, same) = any_move(&mut state);
        let expected: Vec<_> = correction.split(&same, 2).expect("a tolerance in range").collect();
        let pieces = s.pieces_of(&motion).expect("a homed keeper");
        let found: Vec<_> = pieces.iter().map(|piece| (of(piece.end), piece.extra)).collect();
        assert_eq!(found, expected.iter().map(|piece| (piece.end, piece.extra)).collect::<Vec<_>>());
        count += found.len();
        for piece in pieces {
            let mut place = piece.end;
            // In and out may be the same variable.
            let pointer = &raw mut place;
            assert_eq!(call!(gapkeeper_logical(&raw const s.keeper, pointer, pointer)), GapkeeperResult::Ok);
            let Point { x_um, y_um, z_um } = of(piece.end);
            assert_eq!(place, GapkeeperPoint { z_um: correction.logical_z_um(x_um, y_um, z_um), ..piece.end });
        }
    }
    assert!(count > 1500, "{count} pieces");
    assert_eq!(s.next_piece(), Err(GapkeeperResult::End), "and again");
}

/// `E` scaled while the shape fades, one move after the other.
#[test]
fn scaled_pieces_are_those_of_the_core() {
    let correction = correction();
    let mut s = Session::begun();
    let (mut flow, mut expected_flow) = (GapkeeperFlow::default(), Flow::new());
    let (mut state, mut scaled) = (11, 0);
    for _ in 0..100 {
        let (motion, same) = any_move(&mut state);
        let (keeper, pieces) = (&raw mut s.keeper, &raw mut s.pieces);
        assert_eq!(call!(gapkeeper_line_begin(pieces, GAPKEEPER_PIECES_SIZE, keeper, &motion)), GapkeeperResult::Ok);
        let mut split = correction.split(&same, 2).expect("a tolerance in range");
        while let Some(expected) = split.next_scaled(&mut expected_flow) {
            let mut piece = zeroed();
            let next = call!(gapkeeper_piece_next_scaled(pieces, keeper, &raw mut flow, &raw mut piece));
            assert_eq!((next, of(piece.end), piece.extra), (GapkeeperResult::Ok, expected.end, expected.extra));
            assert_eq!(flow.remainder_q17, expected_flow.remainder_q17());
        }
        let (before, mut piece) = (flow, zeroed());
        let next = call!(gapkeeper_piece_next_scaled(pieces, keeper, &raw mut flow, &raw mut piece));
        assert_eq!((next, flow, piece), (GapkeeperResult::End, before, zeroed()), "nothing is touched");
        scaled += usize::from(flow.remainder_q17 != 0);
    }
    assert!(scaled > 80, "{scaled}");
}

#[test]
fn without_a_grid_the_move_is_what_it_is() {
    let mut s = Session::homed(&settings());
    let whole = GapkeeperPiece { end: MOTION.end, extra: MOTION.extra_end };
    assert_eq!(s.pieces_of(&MOTION), Ok(vec![whole]));
}

#[test]
fn an_arc_by_radius_is_the_arc_by_centre() {
    let mut s = Session::begun();
    let mut chords_of = |arc: &GapkeeperArc| {
        let (keeper, chords) = (&raw mut s.keeper, &raw mut s.chords);
        let begun = call!(gapkeeper_arc_begin(chords, GAPKEEPER_CHORDS_SIZE, keeper, arc));
        assert_eq!(begun, GapkeeperResult::Ok);
        let mut moves = Vec::new();
        loop {
            let mut motion = zeroed();
            match call!(gapkeeper_chord_next(chords, &raw mut motion)) {
                GapkeeperResult::Ok => moves.push(motion),
                result => break assert_eq!(result, GapkeeperResult::End),
            }
        }
        moves
    };
    let by_centre = chords_of(&arc());
    assert!(by_centre.len() > 10);
    assert_eq!((by_centre[0].start, by_centre[by_centre.len() - 1].end), (arc().motion.start, arc().motion.end));
    assert_eq!(chords_of(&GapkeeperArc { radius_um: 50_000, centre_first_um: 9, ..arc() }), by_centre);
    // Clockwise from the left end it runs through larger Y; the other way through smaller.
    let middle = by_centre[by_centre.len() / 2].start;
    assert!(middle.y_um > 100_000, "{middle:?}");
    let other = chords_of(&GapkeeperArc { turn: GapkeeperTurn::Anticlockwise as u8, ..arc() });
    assert!(other[other.len() / 2].start.y_um < 20_000);
    let refused = GapkeeperArc { centre_first_um: 49_000, ..arc() };
    let begun = call!(gapkeeper_arc_begin(&raw mut s.chords, GAPKEEPER_CHORDS_SIZE, &raw mut s.keeper, &refused));
    assert_eq!(begun, GapkeeperResult::Arc);
    assert!(s.text_of(begun).starts_with("the arc starts 49000 um from its centre"), "{}", s.text_of(begun));
}

/// Temperatures come in at any time and stop nothing.
#[test]
fn a_temperature_in_mid_move_is_taken_in_later() {
    let mut s = Session::begun();
    let expected = s.pieces_of(&MOTION).expect("a homed keeper");
    let keeper = &raw mut s.keeper;
    assert_eq!(
        call!(gapkeeper_line_begin(&raw mut s.pieces, GAPKEEPER_PIECES_SIZE, keeper, &MOTION)),
        GapkeeperResult::Ok
    );
    let mut order = GapkeeperOrder { kind: 99, ..zeroed() };
    for (at_s, piece) in (0..).zip(&expected) {
        let temperature = GapkeeperTemperature { at_s, bed_c: 61, nozzle_c: 200 };
        assert_eq!(call!(gapkeeper_temperature(keeper, &temperature, &raw mut order)), GapkeeperResult::Ok);
        assert_eq!(order.kind, GapkeeperOrderKind::Wait as u8);
        assert_eq!(s.next_piece(), Ok(*piece));
    }
    assert_eq!((s.status().bed_c, s.status().grid_bed_c), (61, 60));
    assert!(s.screen().contains("bed 61 C, grid 60"), "{}", s.screen());
    // The next choice goes by it.
    let mut choice = zeroed();
    assert_eq!(call!(gapkeeper_homed(keeper, &raw mut choice)), GapkeeperResult::Ok);
    assert_eq!((choice.kind, choice.off_c), (GapkeeperChoiceKind::Nearest as u8, 1));
}

#[test]
fn a_change_in_mid_move_ends_it() {
    type Change = fn(*mut GapkeeperKeeper) -> GapkeeperResult;
    let changes: [(&str, Change); 9] = [
        ("shift", |keeper| call!(gapkeeper_shift_by(keeper, 1, &mut 0))),
        ("set_fade", |keeper| call!(gapkeeper_set_fade(keeper, &zeroed()))),
        ("release", |keeper| call!(gapkeeper_release(keeper))),
        ("put in force", |keeper| call!(gapkeeper_put_stored_in_force(keeper, &mut zeroed()))),
        ("homed", |keeper| call!(gapkeeper_homed(keeper, &mut zeroed()))),
        ("lost_position", |keeper| call!(gapkeeper_lost_position(keeper))),
        ("screw_turned", |keeper| call!(gapkeeper_screw_turned(keeper, &mut zeroed()))),
        ("set_grid", |keeper| call!(gapkeeper_set_grid(keeper, &grid(), HEIGHTS_UM.as_ptr(), 9))),
        ("init", |keeper| call!(gapkeeper_init(keeper, GAPKEEPER_KEEPER_SIZE, &settings()))),
    ];
    for (name, change) in changes {
        let mut s = Session::begun();
        assert!(s.next_piece().is_ok());
        assert_eq!(change(&raw mut s.keeper), GapkeeperResult::Ok, "{name}");
        assert_eq!(s.next_piece(), Err(GapkeeperResult::Changed), "{name}");
        assert_eq!(s.next_piece(), Err(GapkeeperResult::Changed), "{name}, again");
    }
}

/// After a shift the rest of the move is begun anew from where the machine stands, as the text says.
#[test]
fn a_move_goes_on_after_a_shift() {
    let mut s = Session::begun();
    let reached = s.next_piece().expect("a first piece");
    let keeper = &raw mut s.keeper;
    let mut start = zeroed();
    assert_eq!(call!(gapkeeper_logical(keeper, &reached.end, &raw mut start)), GapkeeperResult::Ok);
    let mut shift_um = 0;
    assert_eq!(call!(gapkeeper_shift_by(keeper, -2, &raw mut shift_um)), GapkeeperResult::Ok);
    assert_eq!((shift_um, s.status().shift_um), (-20, -20));
    let rest = GapkeeperMove { start, extra_start: reached.extra, ..MOTION };
    let pieces = s.pieces_of(&rest).expect("a homed keeper");
    let last = pieces.last().expect("a last piece");
    let expected = correction().machine_z_um(MOTION.end.x_um, MOTION.end.y_um, MOTION.end.z_um) - 20;
    assert_eq!((last.end.x_um, last.end.z_um, last.extra), (MOTION.end.x_um, expected, MOTION.extra_end));
}

#[test]
fn pieces_belong_to_their_keeper() {
    let mut s = Session::begun();
    let mut other = Session::begun();
    assert_eq!(
        call!(gapkeeper_piece_next(&raw mut s.pieces, &raw const other.keeper, &mut zeroed())),
        GapkeeperResult::Changed
    );
    // A byte-wise copy is as good a keeper as the original, but not the one that the pieces refer to.
    call!(core::ptr::copy_nonoverlapping(&raw const s.keeper, &raw mut other.keeper, 1));
    assert_eq!(
        call!(gapkeeper_piece_next(&raw mut s.pieces, &raw const other.keeper, &mut zeroed())),
        GapkeeperResult::Changed
    );
    let expected = s.pieces_of(&MOTION).expect("a homed keeper");
    drop(s);
    assert_eq!(other.pieces_of(&MOTION), Ok(expected));
}

/// Also without a grid, where every keeper would give the same piece.
#[test]
fn pieces_without_a_grid_belong_to_their_keeper_too() {
    let begun = || {
        let mut s = Session::homed(&settings());
        let line = call!(gapkeeper_line_begin(&raw mut s.pieces, GAPKEEPER_PIECES_SIZE, &raw mut s.keeper, &MOTION));
        assert_eq!(line, GapkeeperResult::Ok);
        s
    };
    let (mut s, other) = (begun(), begun());
    assert_eq!(
        call!(gapkeeper_piece_next(&raw mut s.pieces, &raw const other.keeper, &mut zeroed())),
        GapkeeperResult::Changed
    );
    // A keeper that is begun anew in the same storage, and comes as far as the one before, is another one.
    let keeper = &raw mut s.keeper;
    assert_eq!(call!(gapkeeper_init(keeper, GAPKEEPER_KEEPER_SIZE, &settings())), GapkeeperResult::Ok);
    assert_eq!(call!(gapkeeper_homed(keeper, &mut zeroed())), GapkeeperResult::Ok);
    assert_eq!(s.next_piece(), Err(GapkeeperResult::Changed));
}
