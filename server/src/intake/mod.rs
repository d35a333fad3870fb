//! The intake: one drop-off of one machine. Types, fold, check and decisions are pure; HTTP stands beside them.

pub mod bench;
pub mod body;
pub mod check;
pub mod custody;
pub mod days;
pub mod decide;
pub mod dispute;
pub mod erasure;
pub mod example;
pub mod hand_back;
pub mod keeping;
pub mod kind;
mod kind_file;
mod kind_rules;
pub mod part;
pub mod redaction;
mod rules;
pub mod sheet;
pub mod state;
pub mod strokes;
