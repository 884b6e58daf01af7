use super::*;
use Mark::{Here, Read, ToCome};

fn setting() -> View {
    View {
        title: "Bench by the window".to_string(),
        clock: "11:07".to_string(),
        display: "Station 5 of 14\nZ 120 um\npaper drags? press\nHOT bed 60 tip 205".to_string(),
        marks: vec![vec![Read; 3], vec![ToCome, Here, Read], vec![ToCome; 3]],
        x_mm: [20.0, 210.0],
        y_mm: [20.0, 180.0],
        nozzle: Point { x_um: 115_000, y_um: 100_000, z_um: 120 },
        drag: Some(Drag::new(115.0, 100.0)),
        advice: Vec::new(),
        notice: "taken; the nozzle has moved on",
    }
}

fn assert_screen(view: &View, expected: &str) {
    let screen = compose(view).join("\n");
    assert_eq!(screen, expected, "\n{screen}\n\nexpected:\n{expected}");
}

#[test]
fn a_gap_being_set() {
    assert_screen(
        &setting(),
        "\
Rehearsal: Bench by the window                         11:07
┌────────────────────┐   Y180 .   .   .
│Station 5 of 14     │        .   O   x
│Z 120 um            │    Y20 x   x   x
│paper drags? press  │        X20 to 210
│HOT bed 60 tip 205  │        x read  O here  . to come
└────────────────────┘

nozzle Z +120 um
X 115.0  Y 100.0 mm

paper: drags a little
[#######             ]
loose   right    stuck


taken; the nozzle has moved on
Up/Down: away/nearer 1 detent   PgUp/PgDn: 10 detents
Enter: press  Left: back  e: enough  s: screw turned  q: end
A rehearsal: on the real machine bed and nozzle are hot and
moving parts pinch; keep a hand at the main switch.",
    );
}

#[test]
fn a_wait() {
    let waiting = View {
        display: "Let the plate settle\n540 s left\nHOT bed 60 tip 205".to_string(),
        marks: vec![vec![ToCome; 2]; 2],
        nozzle: Point { x_um: 0, y_um: 0, z_um: 5000 },
        drag: None,
        notice: "rehearsal: 60 times as fast; Enter skips the wait",
        ..setting()
    };
    assert_screen(
        &waiting,
        "\
Rehearsal: Bench by the window                         11:07
┌────────────────────┐   Y180 .   .
│Let the plate settle│    Y20 .   .
│540 s left          │        X20 to 210
│HOT bed 60 tip 205  │        x read  O here  . to come
│                    │
└────────────────────┘

nozzle Z +5000 um
X 0.0  Y 0.0 mm

paper: laid aside
[                    ]



rehearsal: 60 times as fast; Enter skips the wait
Up/Down: away/nearer 1 detent   PgUp/PgDn: 10 detents
Enter: press  Left: back  e: enough  s: screw turned  q: end
A rehearsal: on the real machine bed and nozzle are hot and
moving parts pinch; keep a hand at the main switch.",
    );
}

/// Up to eight screws have a line each, below what the machine's own display says.
#[test]
fn hands_at_the_screws() {
    let turns = |count: u8| (1..=count).map(|screw| format!("{screw} raise 71t 359 deg")).collect();
    let turning = View {
        display: "Corners off 190 um\nturn to within 100\nfirst: say so, save\nHOT 60/205 C: gloves".to_string(),
        marks: vec![vec![Read; 2]; 2],
        drag: None,
        advice: turns(4),
        notice: "s: you turn the screws so  Left: read again  e: enough",
        ..setting()
    };
    assert_screen(
        &turning,
        "\
Rehearsal: Bench by the window                         11:07
┌────────────────────┐   Y180 x   x
│Corners off 190 um  │    Y20 x   x
│turn to within 100  │        X20 to 210
│first: say so, save │        x read  O here  . to come
│HOT 60/205 C: gloves│
└────────────────────┘
1 raise 71t 359 deg
2 raise 71t 359 deg
3 raise 71t 359 deg
4 raise 71t 359 deg





s: you turn the screws so  Left: read again  e: enough
Up/Down: away/nearer 1 detent   PgUp/PgDn: 10 detents
Enter: press  Left: back  e: enough  s: screw turned  q: end
A rehearsal: on the real machine bed and nozzle are hot and
moving parts pinch; keep a hand at the main switch.",
    );
    let screen = compose(&View { advice: turns(8), ..turning });
    assert_eq!(screen.len(), height(2));
    assert!(screen.iter().any(|line| line.trim_end() == "8 raise 71t 359 deg"), "{screen:#?}");
}

/// The widest plan, the longest numbers and names: still no line is wider, and none is missing.
#[test]
fn everything_fits_the_size_that_is_asked_for() {
    let full = View {
        title: "a name that is far longer than any screen is wide ".repeat(3),
        clock: "1440:00".to_string(),
        display: "line that is longer than twenty\n\n\n\nfifth".to_string(),
        marks: vec![vec![Read; 16]; 16],
        x_mm: [-100_000.0, 100_000.0],
        y_mm: [-100_000.0, 100_000.0],
        nozzle: Point { x_um: i32::MIN, y_um: i32::MIN, z_um: i32::MIN },
        ..setting()
    };
    for rows in 2..=16 {
        let screen = compose(&View { marks: vec![vec![Read; 16]; rows], ..full.clone() });
        assert_eq!(screen.len(), height(rows));
        assert!(screen.iter().all(|line| line.chars().count() <= WIDTH), "{screen:#?}");
    }
    assert_eq!((height(3), height(11), height(16)), (21, 21, 25));
    assert!(too_small([40, 10], 3).iter().all(|line| line.len() <= 40));
}

#[test]
fn a_name_cannot_act_on_the_terminal() {
    let screen = compose(&View { title: "a\u{1b}[2Jb\nc".to_string(), ..setting() });
    assert_eq!(screen[0], "Rehearsal: a [2Jb c                                    11:07");
}

#[test]
fn a_small_terminal_is_told_what_is_needed() {
    let text = too_small([50, 12], 15).join("\n");
    assert!(text.contains("50x12") && text.contains("60x24") && text.contains("q"), "{text}");
}
