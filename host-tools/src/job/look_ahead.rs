//! A first reading of a job that is read again afterwards.

use std::io::Read;

use super::{JobError, JobEvent, ReadingOptions, Walker};

/// Reads the moves of a job up to a height and to its first error, or past all errors if told to keep going: the next
/// reader reports them.
///
/// With `passes_over`, level lines above that height are passed over without being read. All lines are read where reading
/// goes on after errors, since a line with an error moves nothing. The result is false if the sum of `E` over lines passed
/// over is needed after all: then read the job again without `passes_over`.
pub(super) fn look_ahead(
    name: &str,
    job: impl Read,
    reading: ReadingOptions,
    up_to_nm: i64,
    passes_over: bool,
    mut tell: impl FnMut(JobEvent),
) -> bool {
    let mut walker = Walker::new(name, job, reading);
    walker.follower.up_to_nm = Some(up_to_nm);
    let mut tell = |event| {
        tell(event);
        Ok::<(), JobError>(())
    };
    let mut has_sum_of_e = true;
    loop {
        let has_passed = passes_over && !reading.keep_going && walker.pass_level_above(up_to_nm);
        has_sum_of_e &= !(has_passed && walker.follower.interpreter.is_extruder_relative());
        match walker.line(&mut tell) {
            None => return true,
            Some(Ok(())) => {}
            Some(Err(error)) if !reading.goes_on_after(&error) => return true,
            Some(Err(_)) => {}
        }
        if !has_sum_of_e && !walker.follower.interpreter.is_extruder_relative() {
            return false;
        }
    }
}

impl<R: Read> Walker<'_, R> {
    /// Passes over lines that move at one height above the one given, up to the last one that says all about where they
    /// lead; whether there were any.
    fn pass_level_above(&mut self, height_nm: i64) -> bool {
        let interpreter = &self.follower.interpreter;
        self.follower.extrudes
            && interpreter.position().z_nm > height_nm
            && interpreter.moves_straight_to_places()
            && self.reader.pass_level()
    }
}

#[cfg(test)]
mod tests {
    use std::fmt::Write as _;

    use proptest::prelude::*;

    use gapkeeper::{Move, Point};

    use super::*;
    use crate::job::JobMove;

    /// Low moves of a job, as `[X, Y, Z]` of both ends and whether they print, and whether that is all.
    type Seen = (Vec<([i32; 3], [i32; 3], bool)>, bool);

    fn look(job: &str, keep_going: bool, passes_over: bool) -> Seen {
        let mut seen = Vec::new();
        let reading = ReadingOptions { keep_going, ..ReadingOptions::default() };
        let is_whole = look_ahead("job", job.as_bytes(), reading, 1_001_000, passes_over, |event| match event {
            JobEvent::Move(JobMove { motion: Move { start, end, .. }, prints, .. }) => {
                let place = |point: Point| [point.x_um, point.y_um, point.z_um];
                seen.push((place(start), place(end), prints));
            }
            JobEvent::ExtrudesAfterAll => seen.clear(),
            JobEvent::Homed { .. } => {}
        });
        (seen, is_whole)
    }

    fn job() -> impl Strategy<Value = String> {
        let number = "(-?[0-9]{1,2}|[0-9]{1,2}[.][0-9]{1,3})";
        let axis = move |letters: &'static str| (letters, number).prop_map(|(letter, number)| letter + &number);
        let level = ("(G[01] )?", proptest::collection::vec(axis("[XYEF]"), 0..4))
            .prop_map(|(code, words)| format!("{code}{}\n", words.join(" ")));
        let whole = (number, number, number).prop_map(|(x, y, e)| format!("G1 X{x} Y{y} E{e}\n"));
        let height = prop_oneof![Just(0.2), Just(0.9), Just(5.0), Just(8.0)].prop_map(|z| format!("G1 Z{z}\n"));
        let other = prop_oneof![
            Just("M82\n"),
            Just("M83\n"),
            Just("G92 E0\n"),
            Just("G91\n"),
            Just("G90\n"),
            Just("G28\n"),
            Just("G20\n"),
            Just("G21\n"),
            Just("; Z\n"),
            Just("G1 X1.2.3\n"),
            Just("G1 X1 X2\n"),
            Just("G1 X99999999 Y1 E1\n"),
            Just("G18\n"),
            Just("G2 X5 Y5 I2 J2 E1\n"),
            Just("M2\n"),
            Just("G93\n"),
            Just("G1 F0\n"),
        ]
        .prop_map(str::to_owned);
        let line = prop_oneof![6 => level, 6 => whole, 2 => height, 1 => other];
        proptest::collection::vec(line, 1..60).prop_map(|lines| "G1 Z5 E1 F600\n".to_owned() + &lines.concat())
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn what_is_passed_over_would_have_changed_nothing(job in job(), keep_going: bool) {
            let (found, is_whole) = look(&job, keep_going, true);
            let (wanted, is_always_whole) = look(&job, keep_going, false);
            prop_assert!(is_always_whole);
            // A job with a mistake that stops its reader is not judged at all.
            let mut walker = Walker::new("job", job.as_bytes(), ReadingOptions { keep_going, ..ReadingOptions::default() });
            let mut tell = |_| Ok::<(), JobError>(());
            let stops = std::iter::from_fn(|| walker.line(&mut tell)).any(|line| line.is_err()) && !keep_going;
            if is_whole && !stops {
                prop_assert_eq!(found, wanted);
            }
        }
    }

    /// A layer of 2000 lines at 5 mm, then a line on the bed from where it ended.
    #[test]
    fn where_lines_passed_over_led_is_known_all_the_same() {
        let seen = |mode: &str, rest: &str| {
            let mut job = format!("{mode}\nG1 X5 Y5 Z5 E1 F600\n");
            for line in 0..2000 {
                let _ = writeln!(job, "G1 X{} Y{} E{}", line % 90, 10 + line % 7, line + 2);
            }
            look(&(job + rest), false, true)
        };
        let low = [
            ([19_000, 14_000, 5000], [19_000, 14_000, 200], false),
            ([19_000, 14_000, 200], [60_000, 14_000, 200], true),
        ];
        for (mode, end) in [("M83", "E1"), ("M82", "E2002")] {
            let (seen, is_whole) = seen(mode, &format!("G1 Z0.2\nG1 X60 {end}\n"));
            assert!(is_whole && seen.ends_with(&low), "{mode}: {seen:?}");
        }
        // The sum of E is needed: read once more.
        assert!(!seen("M83", "M82\nG1 Z0.2\nG1 X60 E5\n").1);
        assert!(seen("M82", "M83\nG1 X60 E5\n").1);
    }

    /// A line whose sum of E would be too large moves nothing; where reading goes on after it, that must be seen.
    #[test]
    fn errors_are_seen_where_reading_goes_on() {
        let job = "M83\nG0 Z5\nG1 X50 Y50 E1 F1200\nG1 X51 Y60 E90000000\nG1 X50 Y60 E1\nG1 Z0.2\nG1 X100 E50000000\n";
        let (seen, is_whole) = look(job, true, true);
        assert!(is_whole && seen.iter().all(|(_, _, prints)| !prints), "{seen:?}");
        assert_eq!(seen, look(job, true, false).0);
    }

    /// It is worth its lines only if it passes over them.
    #[test]
    fn level_lines_above_are_passed_over() {
        let job = "M83\nG1 X1 Y1 Z5 E1 F600\n".to_owned() + &"G1 X1 Y1 E1\n".repeat(50);
        let mut walker = Walker::new("job", job.as_bytes(), ReadingOptions::default());
        let mut tell = |_| Ok::<(), JobError>(());
        let lines = std::iter::from_fn(|| {
            walker.pass_level_above(1_000_000);
            walker.line(&mut tell)
        });
        assert_eq!(lines.count(), 3);
        assert_eq!(walker.reader.line().number(), 52);
    }
}
