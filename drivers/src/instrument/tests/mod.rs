//! Tests of instruments.
