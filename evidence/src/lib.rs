//! evidence
