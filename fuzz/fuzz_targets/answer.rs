//! The reader of answers on arbitrary bytes in pieces; the body is in `beamwarden_drivers::fuzzing`.

#![no_main]

use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| {
    beamwarden_drivers::fuzzing::answer(bytes);
});
