//! Tests of the summary.
