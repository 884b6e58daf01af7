//! A second interpreter of G-code, in double precision. It shares no code with the first, knows only what the random
//! jobs hold, and drives a machine whose true places and offsets the job does not tell.

/// What only the machine knows.
#[derive(Clone, Debug)]
pub struct Hidden {
    /// Where it stands at the start.
    pub start: [f64; 3],
    /// Where homing ends.
    pub home: [f64; 3],
    /// Its own coordinates minus those of the grid.
    pub machine: [f64; 3],
    /// Where macros, tools, probes and unknown words leave it, one after the other.
    pub surprises: Vec<[f64; 3]>,
    /// Whether `G91` makes `E` relative under `M82`.
    pub e_follows_g91: bool,
    /// Whether lines with `/` are left out.
    pub deletes: bool,
}

/// A straight part of a way.
#[derive(Clone, Copy, Debug)]
pub struct Way {
    pub from: [f64; 3],
    pub to: [f64; 3],
    pub e: f64,
    /// Per minute; none for a rapid, and under `G93`.
    pub feed: Option<f64>,
    /// Under `G93`.
    pub minutes: f64,
    /// How little the job itself tells where the way is: rounded radii at both ends of an arc, or a way too short to have
    /// a direction.
    pub slack: f64,
}

pub struct Machine {
    hidden: Hidden,
    surprises: usize,
    tool: Option<f64>,
    pub at: [f64; 3],
    pub e: f64,
    feed: f64,
    unit: f64,
    relative: bool,
    e_mode: Option<bool>,
    inverse: bool,
    motion: u32,
    system: usize,
    origins: [[f64; 3]; 9],
    shift: [f64; 3],
    e_shift: f64,
}

impl Machine {
    pub fn new(hidden: Hidden) -> Self {
        Self {
            surprises: 0,
            tool: None,
            at: hidden.start,
            hidden,
            e: 0.0,
            feed: 0.0,
            unit: 1.0,
            relative: false,
            e_mode: None,
            inverse: false,
            motion: 0,
            system: 0,
            origins: [[0.0; 3]; 9],
            shift: [0.0; 3],
            e_shift: 0.0,
        }
    }

    pub fn is_relative(&self) -> bool {
        self.relative
    }

    pub fn unit(&self) -> f64 {
        self.unit
    }

    /// Executes a line; returns its ways.
    pub fn execute(&mut self, text: &str) -> Vec<Way> {
        let mut line = text.split(';').next().unwrap_or_default().to_owned();
        while let (Some(open), Some(close)) = (line.find('('), line.find(')')) {
            line.replace_range(open..=close, " ");
        }
        if let Some(star) = line.find('*') {
            line.truncate(star);
        }
        let mut line = line.trim().to_owned();
        if let Some(rest) = line.strip_prefix('/') {
            if self.hidden.deletes {
                return Vec::new();
            }
            line = rest.to_owned();
        }
        if line.len() > 1 && line.chars().take(2).all(|letter| letter.is_ascii_alphabetic() || letter == '_') {
            self.surprise();
            return Vec::new();
        }
        let words = words(&line);
        let has = |letter: char, number: f64| words.contains(&(letter, Some(number)));
        let value = |letter: char| words.iter().find(|word| word.0 == letter).and_then(|word| word.1);
        let named = |letter: char| words.iter().any(|word| word.0 == letter);
        if has('M', 117.0) || has('M', 987.1) || has('M', 106.0) {
            return Vec::new();
        }
        for (letter, number) in &words {
            let code = number.unwrap_or(-1.0);
            match (letter, (code * 10.0).round() as i32) {
                ('G', 200) => self.unit = 25.4,
                ('G', 210) => self.unit = 1.0,
                ('G', 900) => self.relative = false,
                ('G', 910) => self.relative = true,
                ('G', 930) => self.inverse = true,
                ('G', 940) => self.inverse = false,
                ('G', 540) => self.system = 0,
                ('G', 550) => self.system = 1,
                ('M', 820) => self.e_mode = Some(false),
                ('M', 830) => self.e_mode = Some(true),
                ('G', 0 | 10 | 20 | 30) => self.motion = code as u32,
                // A tool that is in place already stays.
                ('T', _) if self.tool == Some(code) => {}
                ('T', _) => {
                    self.tool = Some(code);
                    self.surprise();
                }
                ('M', 60) => self.surprise(),
                _ => {}
            }
        }
        if let Some(feed) = value('F').filter(|_| !self.inverse) {
            self.feed = feed * self.unit;
        }
        let letters = ['X', 'Y', 'Z'];
        if has('G', 28.0) {
            let all = !letters.iter().any(|letter| named(*letter));
            for axis in (0..3).filter(|axis| all || named(letters[*axis])) {
                self.at[axis] = self.hidden.home[axis];
                self.shift[axis] = 0.0;
            }
            return Vec::new();
        }
        if has('G', 38.2) || has('M', 84.0) || has('M', 987.0) {
            self.surprise();
            return Vec::new();
        }
        if has('G', 10.0) {
            let system = value('P').unwrap_or(1.0) as usize - 1;
            #[allow(clippy::needless_range_loop, reason = "an axis is an index everywhere here")]
            for axis in 0..3 {
                if let Some(number) = value(letters[axis]) {
                    self.origins[system][axis] = number * self.unit;
                }
            }
            return Vec::new();
        }
        if has('G', 92.0) {
            #[allow(clippy::needless_range_loop, reason = "an axis is an index everywhere here")]
            for axis in 0..3 {
                if let Some(number) = value(letters[axis]) {
                    self.shift[axis] = self.at[axis] - self.origins[self.system][axis] - number * self.unit;
                }
            }
            if let Some(number) = value('E') {
                self.e_shift = self.e - number * self.unit;
            }
            return Vec::new();
        }
        if has('G', 92.1) {
            self.shift = [0.0; 3];
            return Vec::new();
        }
        if has('G', 4.0) || !['X', 'Y', 'Z', 'E', 'I', 'J'].iter().any(|letter| named(*letter)) {
            return Vec::new();
        }
        let from = self.at;
        let mut to = from;
        for axis in 0..3 {
            if let Some(number) = value(letters[axis]) {
                let number = number * self.unit;
                to[axis] = match (has('G', 53.0), self.relative) {
                    (true, _) => number - self.hidden.machine[axis],
                    (false, true) => from[axis] + number,
                    (false, false) => number + self.origins[self.system][axis] + self.shift[axis],
                };
            }
        }
        let before = self.e;
        if let Some(number) = value('E') {
            let number = number * self.unit;
            let is_relative = match self.e_mode {
                Some(true) => true,
                Some(false) => self.relative && self.hidden.e_follows_g91,
                None => self.relative,
            };
            self.e = if is_relative { self.e + number } else { number + self.e_shift };
        }
        self.at = to;
        let feed = (self.motion > 0 && !self.inverse).then_some(self.feed);
        let minutes = value('F').filter(|_| self.inverse && self.motion > 0).map_or(0.0, f64::recip);
        if self.motion < 2 {
            return vec![Way { from, to, e: self.e - before, feed, minutes, slack: short(from, to) }];
        }
        let offset = |letter| value(letter).unwrap_or(0.0) * self.unit;
        let centre = match value('R') {
            None => [from[0] + offset('I'), from[1] + offset('J')],
            Some(radius) => {
                let radius = radius * self.unit;
                let (dx, dy) = (to[0] - from[0], to[1] - from[1]);
                let half = dx.hypot(dy) / 2.0;
                let height = (radius * radius - half * half).max(0.0).sqrt() / half / 2.0;
                let side = if (self.motion == 3) == (radius > 0.0) { 1.0 } else { -1.0 };
                [(from[0] + to[0]) / 2.0 - side * dy * height, (from[1] + to[1]) / 2.0 + side * dx * height]
            }
        };
        let angle = |point: [f64; 3]| (point[1] - centre[1]).atan2(point[0] - centre[0]);
        let turned = if self.motion == 3 { angle(to) - angle(from) } else { angle(from) - angle(to) };
        let mut sweep = turned.rem_euclid(std::f64::consts::TAU);
        if sweep < 1e-6 || (from[0], from[1]) == (to[0], to[1]) {
            sweep = std::f64::consts::TAU;
        }
        let turns = value('P').unwrap_or(1.0) - 1.0;
        let sweep = (sweep + turns * std::f64::consts::TAU) * if self.motion == 3 { 1.0 } else { -1.0 };
        let radii = [from, to].map(|point| (point[0] - centre[0]).hypot(point[1] - centre[1]));
        let slack = 3.0 * (radii[0] - radii[1]).abs();
        let count = (sweep.abs() / 0.01).ceil().max(1.0);
        let point = |index: f64| {
            let part = index / count;
            let (angle, radius) = (angle(from) + sweep * part, radii[0] + (radii[1] - radii[0]) * part);
            let z = from[2] + (to[2] - from[2]) * part;
            [centre[0] + radius * angle.cos(), centre[1] + radius * angle.sin(), z]
        };
        let e = (self.e - before) / count;
        let way = |index: u32| {
            let index = f64::from(index);
            Way { from: point(index), to: point(index + 1.0), e, feed, minutes: minutes / count, slack }
        };
        (0..count as u32).map(way).collect()
    }

    fn surprise(&mut self) {
        self.at = self.hidden.surprises[self.surprises % self.hidden.surprises.len()];
        self.surprises += 1;
    }
}

/// Length in the plane of a way that is nearly upright.
fn short(from: [f64; 3], to: [f64; 3]) -> f64 {
    let length = (to[0] - from[0]).hypot(to[1] - from[1]);
    if length < 0.3 { length } else { 0.0 }
}

/// Letters with their numbers.
fn words(line: &str) -> Vec<(char, Option<f64>)> {
    let mut words = Vec::new();
    let mut letters = line.char_indices().filter(|(_, letter)| letter.is_ascii_alphabetic()).peekable();
    while let Some((start, letter)) = letters.next() {
        let end = letters.peek().map_or(line.len(), |(end, _)| *end);
        words.push((letter.to_ascii_uppercase(), line[start + 1..end].trim().parse().ok()));
    }
    words
}
