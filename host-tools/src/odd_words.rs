//! Words of a job that are not followed, as a person reads them.

use crate::gcode::{Effect, WordCount};
use crate::printed::one_line;

/// Names in one list.
const SHOWN_NAMES: usize = 12;

/// The words that may move axes, or those that may not, in the order in which they first come: `M987 (2 times, first on
/// line 5), ...`. `None` if there are none.
pub fn listed<'a>(words: impl Iterator<Item = (&'a String, &'a WordCount)>, is_harmless: bool) -> Option<String> {
    let mut words: Vec<_> = words.filter(|(_, word)| (word.effect == Effect::Harmless) == is_harmless).collect();
    words.sort_by_key(|(_, word)| word.first_line);
    let mut names: Vec<_> = words.iter().take(SHOWN_NAMES).map(|(name, word)| shown(name, word)).collect();
    if words.len() > SHOWN_NAMES {
        names.push(format!("and {} more", words.len() - SHOWN_NAMES));
    }
    (!names.is_empty()).then(|| names.join(", "))
}

fn shown(name: &str, word: &WordCount) -> String {
    let ending = if word.count == 1 { "" } else { "s" };
    format!("{} ({} time{ending}, first on line {})", one_line(name), word.count, word.first_line)
}
