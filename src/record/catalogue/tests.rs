//! Catalogue tests.
