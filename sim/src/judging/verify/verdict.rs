//! What the gate found: plain data, as text, JSON and JUnit XML.

use std::fmt::Write as _;

use gapkeeper_host_tools::picture::svg::escaped;
use serde::Serialize;

pub use crate::dynamics::TooFast;
use gapkeeper_host_tools::printed::one_line;

/// Version of the JSON verdict; it rises when a key changes its meaning or goes away.
pub const SCHEMA_VERSION: u32 = 2;

/// How a case or the whole gate ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Outcome {
    /// All is within its limit.
    Pass,
    /// Something is not.
    Fail,
    /// It could not be looked at.
    CouldNotRun,
}

/// One thing that was looked at.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Check {
    /// The limit's key, or the check's name; it ends with the unit.
    pub name: &'static str,
    /// The limit.
    pub allowed: f64,
    /// What was found; the largest, or a count.
    pub found: f64,
    /// Whether it is within the limit.
    pub passed: bool,
    /// Line of the job where it was found; none if there is no one place.
    pub job_line: Option<u64>,
    /// Machine X there.
    pub x_mm: Option<f64>,
    /// Machine Y there.
    pub y_mm: Option<f64>,
    /// What else there is to say; empty if nothing.
    pub remark: String,
}

/// One case of the matrix.
#[derive(Clone, Debug, Serialize)]
pub struct Case {
    /// Scenario, job, grid and surface in one line; no two cases share it.
    pub name: String,
    /// How it ended.
    pub outcome: Outcome,
    /// Why it could not run.
    pub error: Option<String>,
    /// What was looked at.
    pub checks: Vec<Check>,
    /// Moves that ask for more than Z allows, and the feed that would do.
    pub too_fast: Vec<TooFast>,
    /// What explains a trace that departs from the model; the first is the likeliest.
    pub explanations: Vec<String>,
    /// What else a person should know, in plain sentences.
    pub notes: Vec<String>,
}

impl Case {
    /// A case that could not run.
    pub(crate) fn could_not_run(name: String, error: String) -> Self {
        Self { outcome: Outcome::CouldNotRun, error: Some(error), ..Self::judged(name, Vec::new()) }
    }

    /// A case with its checks.
    pub(crate) fn judged(name: String, checks: Vec<Check>) -> Self {
        let outcome = if checks.iter().all(|check| check.passed) { Outcome::Pass } else { Outcome::Fail };
        Self { name, outcome, error: None, checks, too_fast: Vec::new(), explanations: Vec::new(), notes: Vec::new() }
    }
}

/// All cases.
#[derive(Clone, Debug, Serialize)]
pub struct Verdict {
    format: &'static str,
    schema_version: u32,
    /// How the gate ended: could not run before fail before pass.
    pub outcome: Outcome,
    /// The cases, in the order of the matrix.
    pub cases: Vec<Case>,
}

impl Verdict {
    pub(crate) fn new(cases: Vec<Case>) -> Self {
        let any = |outcome| cases.iter().any(|case| case.outcome == outcome);
        let outcome = if any(Outcome::CouldNotRun) {
            Outcome::CouldNotRun
        } else if any(Outcome::Fail) {
            Outcome::Fail
        } else {
            Outcome::Pass
        };
        Self { format: "gapkeeper-verdict", schema_version: SCHEMA_VERSION, outcome, cases }
    }

    /// As JSON, with units in the names of its keys.
    pub fn json(&self) -> String {
        // Plain data with names as keys: there is nothing in it that JSON cannot hold.
        serde_json::to_string_pretty(self).map_or_else(|error| error.to_string(), |text| text + "\n")
    }

    /// As text for a terminal.
    pub fn text(&self) -> String {
        let mut text = String::new();
        for case in &self.cases {
            // Writing to a string cannot fail.
            let _ = writeln!(text, "{}  {}", word(case.outcome), one_line(&case.name));
            if let Some(error) = &case.error {
                error.lines().for_each(|line| {
                    let _ = writeln!(text, "      {}", one_line(line));
                });
            }
            for check in &case.checks {
                let _ = writeln!(text, "      {}", one_line(&check.line()));
            }
            for TooFast { job_line, feed_mm_s, feed_would_do_mm_s } in &case.too_fast {
                let _ = writeln!(
                    text,
                    "      line {job_line}: {feed_mm_s:.1} mm/s is too fast for Z, {feed_would_do_mm_s:.1} mm/s would do"
                );
            }
            for explanation in &case.explanations {
                let _ = writeln!(text, "      {}", one_line(explanation));
            }
            for note in &case.notes {
                let _ = writeln!(text, "      note: {}", one_line(note));
            }
        }
        let count = |outcome| self.cases.iter().filter(|case| case.outcome == outcome).count();
        let _ = writeln!(
            text,
            "{}: {} of {} cases pass, {} fail, {} could not run",
            word(self.outcome).trim_end(),
            count(Outcome::Pass),
            self.cases.len(),
            count(Outcome::Fail),
            count(Outcome::CouldNotRun),
        );
        text
    }

    /// As JUnit XML: a suite for each case, a test case for each check.
    pub fn junit(&self) -> String {
        let mut xml = String::from("<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n");
        let failed = |case: &Case| case.checks.iter().filter(|check| !check.passed).count();
        let errors = |case: &Case| usize::from(case.error.is_some());
        let tests = |case: &Case| case.checks.len() + errors(case);
        let sum = |count: &dyn Fn(&Case) -> usize| self.cases.iter().map(count).sum::<usize>();
        let _ = writeln!(
            xml,
            "<testsuites name=\"gapsim verify\" tests=\"{}\" failures=\"{}\" errors=\"{}\">",
            sum(&tests),
            sum(&failed),
            sum(&errors)
        );
        for case in &self.cases {
            let name = escaped(&case.name);
            let _ = writeln!(
                xml,
                "  <testsuite name=\"{name}\" tests=\"{}\" failures=\"{}\" errors=\"{}\">",
                tests(case),
                failed(case),
                errors(case)
            );
            for check in &case.checks {
                let _ = write!(xml, "    <testcase classname=\"{name}\" name=\"{}\"", check.name);
                if check.passed {
                    xml += "/>\n";
                    continue;
                }
                // Columns are for the terminal.
                let line = check.line().split_whitespace().collect::<Vec<_>>().join(" ");
                let why = [line.clone()].into_iter().chain(case.explanations.clone()).collect::<Vec<_>>().join("; ");
                let (message, why) = (escaped(&line), escaped(&why));
                let _ = writeln!(xml, ">\n      <failure message=\"{message}\">{why}</failure>\n    </testcase>");
            }
            if let Some(error) = &case.error {
                let error = escaped(error);
                let _ = writeln!(
                    xml,
                    "    <testcase classname=\"{name}\" name=\"could be run\">\n      \
                     <error message=\"{error}\"/>\n    </testcase>"
                );
            }
            xml += "  </testsuite>\n";
        }
        xml + "</testsuites>\n"
    }
}

impl Check {
    fn line(&self) -> String {
        let mark = if self.passed { "ok  " } else { "FAIL" };
        let number = |value: f64| {
            let digits = if value.abs() >= 1000.0 || value.fract() == 0.0 { 0 } else { 2 };
            format!("{value:.digits$}")
        };
        let mut line =
            format!("{mark}  {:<28}{:>9} of {} allowed", self.name, number(self.found), number(self.allowed));
        if let Some(job_line) = self.job_line {
            line += &format!(", line {job_line}");
        }
        if let (Some(x_mm), Some(y_mm)) = (self.x_mm, self.y_mm) {
            line += &format!(" at X {x_mm:.1} Y {y_mm:.1}");
        }
        if !self.remark.is_empty() {
            line += &format!("; {}", self.remark);
        }
        line
    }
}

fn word(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::Pass => "pass",
        Outcome::Fail => "FAIL",
        Outcome::CouldNotRun => "could not run",
    }
}
