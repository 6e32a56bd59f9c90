//! The loader of register maps and register dumps on arbitrary text; the body is in the drivers'
//! `registers::fuzzing`.

#![no_main]

use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| {
    beamwarden_drivers::registers::fuzzing::register_map(bytes);
});
