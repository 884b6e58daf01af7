//! Random jobs through `apply`, and a second interpreter that drives a machine with secrets through job and result.
//!
//! Whatever the job does not tell (where the machine starts, where homing, macros, tools and probes leave it, how its own
//! coordinates lie), the corrected job may not move more than the job does, but for the correction; and where it tells
//! everything, Z is corrected to the micrometre.

#![allow(clippy::unwrap_used, reason = "a test stops at the first surprise")]

mod second_opinion;

use gapkeeper::{Correction, Fade, HeightGrid, Lattice, MAX_NODES};
use gapkeeper_host_tools::apply::{Settings, apply};
use second_opinion::{Hidden, Machine, Way};

const JOBS: u64 = 1000;
const LINES: usize = 40;
/// The correction never moves Z by more than this: the heights below are 0.21 mm at most.
const MOST_MM: f64 = 0.3;

fn correction() -> Correction<MAX_NODES> {
    let lattice = Lattice { x0_um: 0, y0_um: 0, pitch_x_um: 100_000, pitch_y_um: 90_000, columns: 3, rows: 3 };
    let grid = HeightGrid::<MAX_NODES>::new(lattice, &[-120, 40, 210, 60, -80, 0, 150, 160, -90]).unwrap();
    Correction::new(grid.densest::<MAX_NODES>().unwrap()).with_fade(Fade::new(400, 8400).unwrap()).unwrap()
}

/// A sequence after S. Vigna's "splitmix64", from memory.
struct Random(u64);

impl Random {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let value = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let value = (value ^ (value >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        value ^ (value >> 31)
    }

    fn below(&mut self, count: u64) -> u64 {
        self.next() % count
    }

    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * (self.next() >> 11) as f64 / (1_u64 << 53) as f64
    }

    fn place(&mut self) -> [f64; 3] {
        [self.between(0.0, 200.0), self.between(0.0, 180.0), self.between(1.0, 60.0)]
    }
}

/// A job under way: its lines, and what they tell of the machine.
struct Job {
    random: Random,
    lines: Vec<String>,
    machine: Machine,
    /// Which axes stand where the job's own lines say.
    told: [bool; 3],
    /// For each line: whether all axes were told before it, and it moves one of them.
    is_exact: Vec<bool>,
}

impl Job {
    fn add(&mut self, line: String, moves: bool) {
        self.is_exact.push(moves && self.told == [true; 3]);
        self.machine.execute(&line);
        self.lines.push(line);
    }

    fn number(&mut self, letter: char, mm: f64) -> String {
        format!(" {letter}{:.3}", mm / self.machine.unit())
    }

    fn axes(&mut self, named: u64) -> String {
        let relative = self.machine.is_relative();
        let mut text = String::new();
        for (axis, (letter, far)) in [('X', 190.0), ('Y', 170.0), ('Z', 9.0)].into_iter().enumerate() {
            if named >> axis & 1 == 0 {
                continue;
            }
            let mm = if relative { self.random.between(-0.5, 0.9) } else { self.random.between(0.2, far) };
            text += &self.number(letter, mm);
            self.told[axis] |= !relative;
        }
        text
    }

    fn line(&mut self) {
        let before = self.told;
        let kind = self.random.below(100);
        let restored = |job: &mut Self, line: String, moves: bool| {
            let after = std::mem::replace(&mut job.told, before);
            job.add(line, moves);
            job.told = after;
        };
        match kind {
            0..45 => {
                let code = if self.random.below(4) == 0 { "G0" } else { "G1" };
                let named = self.random.below(8);
                let axes = self.axes(named);
                let e = if self.random.below(2) == 0 {
                    format!(" E{:.4}", self.random.between(0.1, 3.0))
                } else {
                    String::new()
                };
                let extra =
                    ["", "", "", " F1200", " F60.5", " S33", " ; note", " (note)"][self.random.below(8) as usize];
                let slash = if self.random.below(40) == 0 { "/" } else { "" };
                let line = format!("{slash}{code}{axes}{e}{extra}");
                if slash == "/" {
                    self.told = [0, 1, 2].map(|axis| before[axis] && named >> axis & 1 == 0);
                    restored(self, line, false);
                } else {
                    restored(self, line, named != 0);
                }
            }
            45..60 => {
                let (clockwise, radius) = (self.random.below(2), self.random.between(2.0, 30.0));
                let (from, sweep) = (self.random.between(0.0, std::f64::consts::TAU), self.random.between(0.3, 5.9));
                let turned = if clockwise == 1 { -sweep } else { sweep };
                let relative = self.machine.is_relative();
                if !(relative || self.told[0] && self.told[1]) {
                    return;
                }
                // Places in the program's own coordinates: relative ones, so that offsets do not matter.
                let unit = self.machine.unit();
                let round = |mm: f64| (mm / unit * 1000.0).round() / 1000.0;
                let (i, j) = (round(-radius * from.cos()), round(-radius * from.sin()));
                let x = radius * (from + turned).cos() / unit + i;
                let y = radius * (from + turned).sin() / unit + j;
                let code = if clockwise == 1 { "G2" } else { "G3" };
                let turns = if self.random.below(4) == 0 { " P2" } else { "" };
                let shape = if self.random.below(2) == 0 {
                    format!(" I{i:.3} J{j:.3}{turns}")
                } else {
                    format!(" R{:.3}", if sweep > std::f64::consts::PI { -radius } else { radius } / unit)
                };
                if !relative {
                    self.add("G91".to_owned(), false);
                }
                let z = if self.random.below(3) == 0 { self.number('Z', 0.05) } else { String::new() };
                self.add(format!("{code} X{x:.3} Y{y:.3}{z}{shape}"), true);
                if !relative {
                    self.add("G90".to_owned(), false);
                }
            }
            60..63 => self.add("G91".to_owned(), false),
            63..68 => self.add("G90".to_owned(), false),
            68..70 => self.add("G20".to_owned(), false),
            70..73 => self.add("G21".to_owned(), false),
            73..76 => self.add("G92 E0".to_owned(), false),
            76..78 => {
                if self.told == [true; 3] {
                    let axes = ["G92 X50 Y40", "G92 Z1.5", "G92 X0 Y0 Z0.3 E0"][self.random.below(3) as usize];
                    self.add(axes.to_owned(), false);
                }
            }
            78..79 => self.add("G92.1".to_owned(), false),
            79..81 => {
                self.add("G92.1".to_owned(), false);
                let (line, axes) =
                    [("G28", [true; 3]), ("G28 X Y", [true, true, false]), ("G28 Z", [false, false, true])]
                        [self.random.below(3) as usize];
                self.told = [0, 1, 2].map(|axis| self.told[axis] && !axes[axis]);
                self.add(line.to_owned(), false);
            }
            81..84 => {
                self.told = [false; 3];
                let line = ["START_JOB BED=60", "M987 X5", "M84", "G38.2 X1 Y1 Z-5", "T1", "M6", "T2"]
                    [self.random.below(7) as usize];
                self.add(line.to_owned(), false);
            }
            84..86 => {
                let (line, axis) = [("G53 G0 Z12.5", 2), ("G53 G0 X30", 0)][self.random.below(2) as usize];
                self.told[axis] = false;
                self.add(line.to_owned(), false);
            }
            86..88 => self.add("G10 L2 P2 X3 Y4 Z0.5".to_owned(), false),
            88..89 => {
                self.add("G10 L2 P2 X1 Y2 Z0.25".to_owned(), false);
                self.add("G55".to_owned(), false);
            }
            89..90 => self.add("G54".to_owned(), false),
            90..92 => {
                self.add("G93".to_owned(), false);
                let axes = self.axes(3);
                restored(self, format!("G1{axes} F2.5"), true);
                self.add("G94".to_owned(), false);
            }
            92..94 => self.add("M83".to_owned(), false),
            _ => {
                let line =
                    ["M117 hello there", "M987.1 P \"x\"", "; far away G1 X1", "G4 P1", "M106 S100", "", "(a note)"]
                        [self.random.below(7) as usize];
                self.add(line.to_owned(), false);
            }
        }
    }
}

fn hidden(random: &mut Random) -> Hidden {
    Hidden {
        start: random.place(),
        home: random.place(),
        machine: random.place(),
        surprises: (0..20).map(|_| random.place()).collect(),
        e_follows_g91: random.below(2) == 0,
        deletes: random.below(2) == 0,
    }
}

fn job(seed: u64) -> (Vec<String>, Vec<bool>, Hidden) {
    let mut random = Random(seed);
    let hidden = hidden(&mut random);
    let mut job = Job {
        random,
        lines: Vec::new(),
        machine: Machine::new(hidden.clone()),
        told: [false; 3],
        is_exact: Vec::new(),
    };
    let head = ["G21 G90 M83", "G21 G90 M82", "G20 M83", "G21 M83"][job.random.below(4) as usize];
    job.add(head.to_owned(), false);
    job.add("F900".to_owned(), false);
    if job.random.below(3) > 0 {
        job.add("G28".to_owned(), false);
    }
    while job.lines.len() < LINES {
        job.line();
    }
    (job.lines, job.is_exact, hidden)
}

/// Distance of a place from a straight way in the plane, and the height of the way there.
fn beside(way: &Way, place: [f64; 3]) -> (f64, f64) {
    let along = [0, 1, 2].map(|axis| way.to[axis] - way.from[axis]);
    // Where it climbs more than it travels, the height tells where on it a place is.
    let flat = along[0].hypot(along[1]);
    let is_steep = flat < 0.3 && along[2].abs() > flat;
    let axes = if is_steep { 2..3 } else { 0..2 };
    let square: f64 = axes.clone().map(|axis| along[axis] * along[axis]).sum();
    let product: f64 = axes.map(|axis| (place[axis] - way.from[axis]) * along[axis]).sum();
    let part = if square == 0.0 { 1.0 } else { (product / square).clamp(0.0, 1.0) };
    let foot = [0, 1, 2].map(|axis| way.from[axis] + along[axis] * part);
    ((place[0] - foot[0]).hypot(place[1] - foot[1]), foot[2])
}

fn check(seed: u64) -> Result<Option<usize>, String> {
    let (lines, is_exact, hidden) = job(seed);
    // The marks tell which lines have become of which.
    let text: String = lines.iter().enumerate().map(|(index, line)| format!("{line}\n;mark {index}\n")).collect();
    let correction = correction();
    let mut output = Vec::new();
    let cores = std::num::NonZero::new(1 + (seed % 2) as usize);
    let settings = Settings { cores, ..Settings::new(&correction) };
    if let Err(error) = apply("job", text.as_bytes(), &mut output, &settings) {
        // What a random job may run into; anything else is a mistake.
        let known = [
            "controllers differ",
            "some controllers",
            "block delete",
            "has it left out",
            "the motion mode was set",
            "ends where it starts",
        ];
        let message = error.to_string();
        return if known.iter().any(|part| message.contains(part)) { Ok(None) } else { Err(message) };
    }
    let output = String::from_utf8(output).unwrap();
    let (mut as_written, mut corrected) = (Machine::new(hidden.clone()), Machine::new(hidden));
    let mut result = output.lines();
    let mut exact = 0;
    for (index, line) in lines.iter().enumerate() {
        let own = as_written.execute(line);
        let mut pieces = Vec::new();
        let mut texts = Vec::new();
        loop {
            let text = result.next().ok_or("the result ends early")?;
            if text == format!(";mark {index}") {
                break;
            }
            texts.push(text);
            pieces.extend(corrected.execute(text));
        }
        let fail = |what: &str| Err(format!("seed {seed}, line {index} {line:?} -> {texts:?}: {what}"));
        let (there, here) = (as_written.at, corrected.at);
        if (0..2).any(|axis| (there[axis] - here[axis]).abs() > 2e-3) {
            return fail(&format!("ends at {here:?} instead of {there:?}"));
        }
        if (as_written.e - corrected.e).abs() > 1e-3 {
            return fail(&format!("E {} instead of {}", corrected.e, as_written.e));
        }
        if (there[2] - here[2]).abs() > MOST_MM {
            return fail(&format!("Z {} for {}", here[2], there[2]));
        }
        let um = |mm: f64| (mm * 1000.0).round() as i32;
        if is_exact[index] {
            exact += 1;
            let wanted = f64::from(correction.machine_z_um(um(there[0]), um(there[1]), um(there[2]))) / 1000.0;
            if (here[2] - wanted).abs() > 2.5e-3 {
                if std::env::var("GAPKEEPER_LOOK").is_ok() {
                    println!("{}\n{output}", lines.join("\n"));
                }
                return fail(&format!("Z {} instead of {wanted}, at {there:?}", here[2]));
            }
        }
        let moves = |ways: &[Way]| ways.iter().any(|way| way.from != way.to || way.e != 0.0);
        if moves(&own) != moves(&pieces) && !pieces.is_empty() {
            return fail("moves where the job does not, or the other way round");
        }
        for piece in &pieces {
            let near = own.iter().map(|way| beside(way, piece.to)).filter(|(off, _)| *off < 0.02 + own[0].slack);
            if !near.clone().any(|(_, z)| (z - piece.to[2]).abs() < MOST_MM) {
                return fail(&format!("{piece:?} is beside the way"));
            }
            if own[0].feed.is_some() != piece.feed.is_some()
                || own[0].feed.zip(piece.feed).is_some_and(|(there, here)| (there - here).abs() > 1e-3)
            {
                return fail(&format!("feed {:?} instead of {:?}", piece.feed, own[0].feed));
            }
        }
        let minutes = |ways: &[Way]| ways.iter().map(|way| way.minutes).sum::<f64>();
        if (minutes(&own) - minutes(&pieces)).abs() > 1e-3 * minutes(&own) {
            return fail("another time under G93");
        }
        let filament = |ways: &[Way]| ways.iter().map(|way| way.e).sum::<f64>();
        if (filament(&own) - filament(&pieces)).abs() > 1e-3 {
            return fail("another length of filament");
        }
    }
    Ok(Some(exact))
}

#[test]
fn a_second_interpreter_finds_nothing_that_the_job_did_not_ask_for() {
    let (mut passed, mut exact, mut wrong) = (0, 0, Vec::new());
    for seed in 0..JOBS {
        match check(seed) {
            Ok(Some(lines)) => {
                passed += 1;
                exact += lines;
            }
            Ok(None) => {}
            Err(message) => wrong.push(message),
        }
    }
    println!("{passed} of {JOBS} jobs, {exact} lines corrected to the micrometre");
    assert!(wrong.is_empty(), "{} jobs are wrong, such as:\n{}", wrong.len(), wrong[..wrong.len().min(5)].join("\n"));
    assert!(passed > JOBS * 3 / 4 && exact > 3000, "{passed} jobs, {exact} lines");
}
