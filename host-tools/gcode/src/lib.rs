//! G-code: words of RS274/NGC (NISTIR 6556) and those that all additive dialects share.
//!
//! | step | from | to |
//! |---|---|---|
//! | [`Reader`] | bytes | [`Line`]s of [`Word`]s, each lent until the next |
//! | [`Interpreter`] | lines | [`Action`]s in exact integers of machine coordinates |
//! | [`moves`] | actions | moves of the core |
//! | [`Writer`] | integers | bytes |
//!
//! Nothing is guessed: a contradiction or a parameter without a value is an error with its place and a remedy, and an axis
//! that may be elsewhere than the program says is told. Nothing is lost: a line that is not understood (an unknown word, a
//! macro) still has its bytes, and is counted.
#![forbid(unsafe_code)]
#![deny(missing_docs)]

mod arc;
mod block;
mod cycle;
mod decimal;
mod digits;
mod error;
mod expression;
mod interpreter;
mod knowledge;
mod lexer;
mod line;
mod motion;
pub mod moves;
mod offsets;
mod origin;
mod plain;
mod reader;
mod sequence;
mod state;
mod straight;
mod text;
mod vocabulary;
mod window;
mod word;
mod writer;

pub use cycle::Cycle;
pub use decimal::{Decimal, DecimalError, Units};
pub use error::{GcodeError, GcodeErrorKind};
pub use gapkeeper::Plane;
pub use interpreter::Interpreter;
pub use knowledge::{Axes, Cause, Effect, Oddity, WordCount};
pub use line::Line;
pub use motion::{Action, ArcMotion, ArcShape, Home};
pub use reader::Reader;
pub use straight::{Position, Straight};
pub use window::LONGEST_LINE_BYTES;
pub use word::Word;
pub use writer::{MoveWords, Writer};

/// What a program needs that writes a job anew, line by line.
pub mod rewriting {
    pub use crate::decimal::FARTHEST_NM;
    pub use crate::interpreter::Modes;
    pub use crate::lexer::Numbered;
    pub use crate::line::KeptLines;
    pub use crate::text::Text;
}
