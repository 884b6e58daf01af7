//! A long row of events, sensible and not, to a survey through the C functions and to one in Rust: the same orders,
//! prompts and texts at every step, and the same grid in the end.

#[macro_use]
mod session;

use gapkeeper::{
    Caution, Hold, Keeper, KeeperSettings, Lattice, Order, Prompt, Screw, SurveyEvent, SurveyPlan, SurveySettings, Tie,
    TieError, TramAdvice,
};
use gapkeeper_c_api::*;
use session::{LATTICE, Session, settings, text, zeroed};

type TestKeeper = Keeper<GAPKEEPER_STATIONS, GAPKEEPER_NODES, GAPKEEPER_GRIDS>;

/// Both surveys.
struct Pair {
    c: Box<Session>,
    rust: TestKeeper,
    order: GapkeeperOrder,
    expected: Order,
    at_s: u32,
    begun: u32,
}

/// At three corners of the stations.
const SCREWS: [Screw; 3] = [
    Screw { x_um: 20_000, y_um: 20_000, thread_um_per_turn: 700 },
    Screw { x_um: 200_000, y_um: 20_000, thread_um_per_turn: 500 },
    Screw { x_um: 200_000, y_um: 180_000, thread_um_per_turn: 700 },
];

fn screws() -> GapkeeperScrews {
    let mut all = GapkeeperScrews { count: 3, ..zeroed() };
    for (place, &Screw { x_um, y_um, thread_um_per_turn }) in all.screws.iter_mut().zip(&SCREWS) {
        *place = GapkeeperScrew { x_um, y_um, thread_um_per_turn };
    }
    all
}

impl Pair {
    fn new() -> Self {
        let mut rust = TestKeeper::without_memory(KeeperSettings::default()).expect("settings in order");
        rust.homed();
        Self { c: Session::homed(&settings()), rust, order: zeroed(), expected: Order::Wait, at_s: 0, begun: 0 }
    }

    fn begin(&mut self) {
        let survey = SurveySettings { soak_s: 5, ..SurveySettings::default() };
        let mut same = zeroed();
        assert_eq!(call!(gapkeeper_survey_settings_default(&raw mut same)), GapkeeperResult::Ok);
        let same = GapkeeperSurveySettings { soak_s: 5, ..same };
        let GapkeeperLattice { x0_um, y0_um, pitch_x_um, pitch_y_um, columns, rows } = LATTICE;
        let lattice = Lattice { x0_um, y0_um, pitch_x_um, pitch_y_um, columns, rows };
        let plan = SurveyPlan::new(lattice).expect("a plan");
        let plan = plan.with_middles().unwrap_or(plan);
        // One after a corner round, one without, and a tie.
        self.begun += 1;
        let places = SCREWS.map(|screw| (screw.x_um, screw.y_um));
        let (keeper, order) = (&raw mut self.c.keeper, &raw mut self.order);
        let mut kind = self.begun % 3;
        let tie = self.rust.plan_tie(survey.bed_temperature_c, places);
        if let (0, Err(why)) = (kind, &tie) {
            let refused = call!(gapkeeper_tie_begin(keeper, &same, &screws(), 5000, order));
            assert_eq!(refused, GapkeeperResult::Tie);
            let said = text(|text, size| call!(gapkeeper_result_text(keeper, refused as u8, text, size)));
            assert_eq!(said, why.to_string());
            kind = 1;
        }
        let (plan, begun) = match (kind, tie) {
            (0, Ok(tie)) => (tie, call!(gapkeeper_tie_begin(keeper, &same, &screws(), 5000, order))),
            (1, _) => {
                let plan = plan.with_corner_round(places).expect("screws apart");
                (plan, call!(gapkeeper_corner_round_begin(keeper, &LATTICE, &same, &screws(), 5000, order)))
            }
            _ => (plan, call!(gapkeeper_survey_begin(keeper, &LATTICE, &same, 5000, order))),
        };
        self.expected = self.rust.begin_survey(plan, survey, 5000).expect("a homed keeper");
        assert_eq!(begun, GapkeeperResult::Ok);
    }

    fn event(&mut self, event: SurveyEvent) {
        let keeper = &raw mut self.c.keeper;
        let order = &raw mut self.order;
        let plain = |kind: GapkeeperEventKind, detents, is_tripped: bool| {
            let event = GapkeeperEvent { detents, kind: kind as u8, is_tripped: is_tripped.into() };
            call!(gapkeeper_survey_event(keeper, &event, order))
        };
        let answer = match event {
            SurveyEvent::Arrived => plain(GapkeeperEventKind::Arrived, 0, false),
            SurveyEvent::Turned { detents } => plain(GapkeeperEventKind::Turned, detents, false),
            SurveyEvent::Pressed => plain(GapkeeperEventKind::Pressed, 0, false),
            SurveyEvent::Back => plain(GapkeeperEventKind::Back, 0, false),
            SurveyEvent::Enough => plain(GapkeeperEventKind::Enough, 0, false),
            SurveyEvent::Abort => plain(GapkeeperEventKind::Abort, 0, false),
            SurveyEvent::LimitSwitch { is_tripped } => plain(GapkeeperEventKind::LimitSwitch, 0, is_tripped),
            SurveyEvent::ScrewTurned => call!(gapkeeper_screw_turned(keeper, order)),
            SurveyEvent::Temperature { bed_c, nozzle_c, at_s } => {
                call!(gapkeeper_temperature(keeper, &GapkeeperTemperature { at_s, bed_c, nozzle_c }, order))
            }
        };
        assert_eq!(answer, GapkeeperResult::Ok);
        self.expected = self.rust.survey(event).expect("a survey under way");
    }

    fn compare_advice(&mut self) {
        let mut found: GapkeeperScrewAdvice = zeroed();
        let answer = call!(gapkeeper_screw_advice(&raw mut self.c.keeper, &screws(), &raw mut found));
        let survey = self.rust.survey_under_way();
        let Some(heights) = survey.and_then(gapkeeper::Survey::corner_heights) else {
            assert_eq!(answer, GapkeeperResult::NoSurvey);
            return;
        };
        assert_eq!(answer, GapkeeperResult::Ok);
        let advice = TramAdvice::new(heights, &SCREWS, Hold::Highest).expect("screws in order");
        assert_eq!((found.count, found.takes_out_twist), (3, 0));
        assert_eq!(found.residual_um, advice.residual().peak_to_valley_um);
        for (number, (turn, expected)) in (0..).zip(found.turns.iter().zip(advice.screws())) {
            assert_eq!(turn.raise_um, expected.raise_um);
            assert_eq!(turn.raise_milliturns, expected.raise_milliturns);
            assert_eq!(turn.raise_decidegrees, expected.raise_decidegrees);
            let said = text(|text, size| call!(gapkeeper_screw_advice_text(&found, number, text, size)));
            assert_eq!(said, expected.to_string());
        }
    }

    fn compare_agreement(&self) {
        let mut found: GapkeeperAgreement = zeroed();
        assert_eq!(call!(gapkeeper_agreement(&raw const self.c.keeper, &raw mut found)), GapkeeperResult::Ok);
        let expected = self.rust.agreement().map_or(zeroed(), |agreement| GapkeeperAgreement {
            off_um: agreement.off_um,
            predicted_rms_um: agreement.predicted_rms_um,
            surface_rms_um: agreement.surface_rms_um,
            column: agreement.column,
            row: agreement.row,
            needs_more_stations: agreement.needs_more_stations().into(),
            is_known: 1,
        });
        assert_eq!(found, expected);
    }

    fn compare(&mut self) {
        let GapkeeperOrder { x_um, y_um, z_um, kind } = self.order;
        let expected = |order| match order {
            Order::Wait => (0, 0, 0, 0),
            Order::Stop => (0, 0, 0, 1),
            Order::Lift { z_um } => (0, 0, z_um, 2),
            Order::Travel { x_um, y_um } => (x_um, y_um, 0, 3),
            Order::Approach { z_um } => (0, 0, z_um, 4),
            Order::Step { z_um } => (0, 0, z_um, 5),
            Order::Done => (0, 0, 0, 6),
            Order::Aborted => (0, 0, 0, 7),
        };
        assert_eq!((x_um, y_um, z_um, kind), expected(self.expected));
        let mut due: GapkeeperOrder = zeroed();
        assert_eq!(call!(gapkeeper_order_due(&raw const self.c.keeper, &raw mut due)), GapkeeperResult::Ok);
        assert_eq!((due.x_um, due.y_um, due.z_um, due.kind), expected(self.rust.order_due()));
        let keeper = &raw const self.c.keeper;
        self.compare_agreement();
        self.compare_advice();
        let mut found = zeroed();
        let answer = call!(gapkeeper_prompt(keeper, &raw mut found));
        let Some(survey) = self.rust.survey_under_way() else {
            assert_eq!(answer, GapkeeperResult::NoSurvey);
            return;
        };
        assert_eq!(answer, GapkeeperResult::Ok);
        let caution = survey.caution();
        let hot = caution.map_or(zeroed(), |Caution { bed_c, nozzle_c, can_wear_gloves }| GapkeeperCaution {
            bed_c,
            nozzle_c,
            is_hot: 1,
            can_wear_gloves: can_wear_gloves.into(),
        });
        let none = GapkeeperPrompt { caution: hot, ..zeroed() };
        let expected = match survey.prompt() {
            Prompt::Heat { bed_c, nozzle_c } => GapkeeperPrompt { kind: 0, bed_c, nozzle_c, ..none },
            Prompt::Soak { seconds } => GapkeeperPrompt { kind: 1, seconds, ..none },
            Prompt::Ready { visits, is_corner } => {
                GapkeeperPrompt { kind: 2, visits, is_corner: is_corner.into(), ..none }
            }
            Prompt::Trammed { apart_um, headroom_um, visits } => {
                GapkeeperPrompt { kind: 15, apart_um, headroom_um, visits, ..none }
            }
            Prompt::TurnScrews { apart_um, limit_um, is_told } => {
                GapkeeperPrompt { kind: 16, apart_um, limit_um, is_told: is_told.into(), ..none }
            }
            Prompt::Moving { visit, visits, is_corner } => {
                GapkeeperPrompt { kind: 3, visit, visits, is_corner: is_corner.into(), ..none }
            }
            Prompt::Lifting => GapkeeperPrompt { kind: 4, ..none },
            Prompt::SetGap { visit, visits, is_corner, z_um, is_coarse, is_turned } => {
                let (is_corner, is_coarse, is_turned) = (is_corner.into(), is_coarse.into(), is_turned.into());
                GapkeeperPrompt { kind: 5, visit, visits, is_corner, z_um, is_coarse, is_turned, ..none }
            }
            Prompt::LookAgain { off_um, z_um, is_coarse, is_turned } => {
                let (is_coarse, is_turned) = (is_coarse.into(), is_turned.into());
                GapkeeperPrompt { kind: 6, off_um, z_um, is_coarse, is_turned, ..none }
            }
            Prompt::BedTemperature { bed_c, wanted_c } => GapkeeperPrompt { kind: 7, bed_c, wanted_c, ..none },
            Prompt::SwitchTripped { press_lifts } => {
                GapkeeperPrompt { kind: 8, press_lifts: press_lifts.into(), ..none }
            }
            Prompt::RaiseBed { by_um, is_told } => GapkeeperPrompt { kind: 9, by_um, is_told: is_told.into(), ..none },
            Prompt::HandsOff => GapkeeperPrompt { kind: 10, ..none },
            Prompt::Closure { um } => GapkeeperPrompt { kind: 11, closure_um: um, ..none },
            Prompt::Done { closure_um } => GapkeeperPrompt { kind: 12, closure_um, ..none },
            Prompt::Aborted => GapkeeperPrompt { kind: 13, ..none },
            Prompt::TieRefused { why: TieError::Shape { residual_um } } => {
                GapkeeperPrompt { kind: 17, residual_um, ..none }
            }
            Prompt::TieRefused { .. } => GapkeeperPrompt { kind: 17, ..none },
            other => panic!("{other:?} has no number yet"),
        };
        assert_eq!(found, expected);
        let said = text(|text, size| call!(gapkeeper_prompt_text(keeper, text, size)));
        assert_eq!(said, caution.map_or(survey.prompt().to_string(), |hot| format!("{}\n{hot}", survey.prompt())));
        assert_eq!(said, self.c.screen());
        assert!(said.len() < GAPKEEPER_SCREEN_TEXT_SIZE);
    }
}

#[test]
fn orders_and_prompts_are_those_of_the_core() {
    let mut pair = Pair::new();
    let (mut prompts, mut orders, mut tied) = ([0; 18], [0; 8], 0);
    let mut state = 3_u32;
    pair.begin();
    for _ in 0..100_000 {
        // Numerical Recipes, 2nd ed., 7.1.
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        let chance = state >> 16;
        pair.at_s += 1;
        let prompt = pair.rust.survey_under_way().map(gapkeeper::Survey::prompt);
        let event = match (chance % 2000, prompt) {
            (0, _) => SurveyEvent::Abort,
            (1..3, _) => SurveyEvent::LimitSwitch { is_tripped: true },
            (3..20, _) => SurveyEvent::LimitSwitch { is_tripped: false },
            (20, _) => SurveyEvent::ScrewTurned,
            (21..26, _) => SurveyEvent::Back,
            (26..28, _) => SurveyEvent::Enough,
            (28, _) => SurveyEvent::Temperature { bed_c: 60, nozzle_c: 150, at_s: pair.at_s },
            (29..32, _) => SurveyEvent::Temperature { bed_c: 20 + (chance % 7) as i16, nozzle_c: 20, at_s: pair.at_s },
            (32..36, _) => SurveyEvent::Turned { detents: -40 },
            (36..60, _) => SurveyEvent::Pressed,
            (_, Some(Prompt::Heat { .. } | Prompt::Soak { .. })) => {
                SurveyEvent::Temperature { bed_c: 20, nozzle_c: 20, at_s: pair.at_s }
            }
            (60..800, Some(Prompt::SwitchTripped { .. })) => SurveyEvent::LimitSwitch { is_tripped: false },
            (60..800, Some(Prompt::RaiseBed { .. } | Prompt::TurnScrews { .. })) => SurveyEvent::ScrewTurned,
            // Near one height in some surveys, so that ties fit; anywhere in the others.
            (60..800, Some(Prompt::SetGap { z_um, .. })) if pair.begun % 9 < 5 && !(990..=1010).contains(&z_um) => {
                SurveyEvent::Turned { detents: ((1000 - z_um) / 10) as i16 }
            }
            (60..800, Some(Prompt::SetGap { .. } | Prompt::LookAgain { .. })) => {
                SurveyEvent::Turned { detents: (chance % 3) as i16 - 1 }
            }
            // Whatever else it is: the motion ends, or somebody presses.
            (800..1400, _) => SurveyEvent::Arrived,
            _ => SurveyEvent::Pressed,
        };
        pair.event(event);
        pair.compare();
        orders[usize::from(pair.order.kind)] += 1;
        match pair.rust.survey_under_way() {
            Some(_) => {
                let mut prompt = zeroed();
                assert_eq!(call!(gapkeeper_prompt(&raw const pair.c.keeper, &raw mut prompt)), GapkeeperResult::Ok);
                prompts[usize::from(prompt.kind)] += 1;
            }
            None => {
                if pair.expected == Order::Done {
                    tied += same_grids(&pair);
                }
                pair.begin();
            }
        }
    }
    // Every order was given. Two prompts are of a survey that the keeper has let go of by then, and one is for newer ones.
    assert!(orders.iter().all(|&count| count > 0) && tied > 0, "{orders:?} {tied} {prompts:?}");
    assert!(prompts[..12].iter().chain(&prompts[15..]).all(|&count| count > 0), "{prompts:?}");
}

/// Compares all grids; how many of them are tied.
fn same_grids(pair: &Pair) -> usize {
    let mut tied = 0;
    for place in 0..GAPKEEPER_GRIDS {
        let (mut grid, mut heights_um) = (zeroed(), [0; GAPKEEPER_STATIONS]);
        let keeper = &raw const pair.c.keeper;
        let answer =
            call!(gapkeeper_grid(keeper, place as u8, &raw mut grid, heights_um.as_mut_ptr(), heights_um.len()));
        match pair.rust.bank().grid(place) {
            Some(stored) => {
                assert_eq!(answer, GapkeeperResult::Ok);
                assert_eq!(&heights_um[..stored.grid.nodes_um().len()], stored.grid.nodes_um());
                assert_eq!(grid.bed_temperature_c, stored.bed_temperature_c);
                let marks = stored.tie.map_or((0, 0), |tie| (tie.count(), tie.residual_um()));
                assert_eq!((grid.ties, grid.tie_residual_um), marks);
                tied += usize::from(stored.tie.is_some());
            }
            None => assert_eq!(answer, GapkeeperResult::NoGrid),
        }
    }
    let mut status = zeroed();
    assert_eq!(call!(gapkeeper_status(&raw const pair.c.keeper, &raw mut status)), GapkeeperResult::Ok);
    assert_eq!(status.ties, pair.rust.status().tie.map_or(0, Tie::count));
    tied
}
