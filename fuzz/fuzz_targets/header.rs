//! The header decoder on arbitrary soft values; the body is in `phy::fuzzing`.

#![no_main]

use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| {
    beamwarden_fuzz::phy::fuzzing::header(bytes);
});
