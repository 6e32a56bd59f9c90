//! The analysis of arbitrary bytes as a recording; the body is in `phy::fuzzing`.

#![no_main]

use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| {
    beamwarden_fuzz::phy::fuzzing::recording(bytes);
});
