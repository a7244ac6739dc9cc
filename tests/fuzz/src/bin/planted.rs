//! The target `planted`, driven by libFuzzer.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| fuzz::planted(data));

libfuzzer_sys::fuzz_mutator!(|data: &mut [u8], size: usize, max_size: usize, seed: u32| {
    fuzz::mutate(data, size, max_size, seed, libfuzzer_sys::fuzzer_mutate)
});
