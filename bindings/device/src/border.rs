//! The border to C: pointers in, pointers out. All that is unsafe is here.

#![allow(unsafe_code, reason = "C hands over pointers, which only unsafe code can follow")]
#![allow(non_camel_case_types, reason = "the names are those of the header")]

use std::{ffi::c_char, ptr, slice};

use crate::answered;

/// `out` has the answers.
pub const KEEPSTART_ANSWERED: i32 = 0;
/// `out` has a problem: what is wrong with the request, each with a JSON Pointer to its place.
pub const KEEPSTART_PROBLEM: i32 = 1;
/// There is no `out`, so nothing was done.
pub const KEEPSTART_NOTHING: i32 = 2;

/// JSON in UTF-8 that this library made; give it back with keepstart_free.
#[repr(C)]
#[derive(Debug)]
pub struct keepstart_text {
    /// Its bytes, with a zero byte after them that does not count; null if there is no text.
    pub data: *mut u8,
    /// How many bytes.
    pub length: usize,
}

/// Answers questions about records.
///
/// `json` has `length` bytes of JSON in UTF-8, of which the library keeps nothing; null stands for no bytes. `out` is written
/// without being read, so what was in it has to be given back before. Any thread may call this at any time.
///
/// # Safety
/// `json` is null or has `length` bytes that nobody writes meanwhile; `out` is null or may be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn keepstart_answer(json: *const u8, length: usize, out: *mut keepstart_text) -> i32 {
    if out.is_null() {
        return KEEPSTART_NOTHING;
    }
    // Nothing is as long as that: it can only be a mistake.
    let bytes: &[u8] = if json.is_null() || isize::try_from(length).is_err() {
        &[]
    } else {
        // SAFETY: it is not null, and the caller says that so many bytes are there and stay as they are.
        unsafe { slice::from_raw_parts(json, length) }
    };
    let (status, text) = match answered(bytes) {
        Ok(text) => (KEEPSTART_ANSWERED, text),
        Err(text) => (KEEPSTART_PROBLEM, text),
    };
    // SAFETY: it is not null, and the caller says that it may be written.
    unsafe { out.write(given(text)) };
    status
}

/// Gives a text back; it is empty then. Null, and a text that is empty, are fine.
///
/// # Safety
/// `text` is null, or keepstart_answer wrote it and nobody else uses it.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn keepstart_free(text: *mut keepstart_text) {
    if text.is_null() {
        return;
    }
    // SAFETY: it is not null, and the caller says that nobody else uses it.
    let keepstart_text { data, length } =
        unsafe { text.replace(keepstart_text { data: ptr::null_mut(), length: 0 }) };
    if !data.is_null() {
        let bytes = ptr::slice_from_raw_parts_mut(data, length + 1);
        // SAFETY: `given` made it of a box of so many bytes, and as it is empty from now on, this happens once.
        drop(unsafe { Box::from_raw(bytes) });
    }
}

/// The version of this library, as text that ends with a zero byte and is never given back.
#[unsafe(no_mangle)]
pub extern "C" fn keepstart_version() -> *const c_char {
    const VERSION: &str = concat!(env!("CARGO_PKG_VERSION"), "\0");
    VERSION.as_ptr().cast()
}

/// Lets go of a text, to be taken back by `keepstart_free`.
fn given(text: String) -> keepstart_text {
    let length = text.len();
    let mut bytes = text.into_bytes();
    bytes.push(0);
    let data = Box::into_raw(bytes.into_boxed_slice()).cast();
    keepstart_text { data, length }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn asked(json: *const u8, length: usize) -> (i32, String) {
        let mut out = keepstart_text { data: ptr::null_mut(), length: 0 };
        // SAFETY: each test gives null, or bytes that are there; `out` is ours.
        let status = unsafe { keepstart_answer(json, length, &raw mut out) };
        // SAFETY: it was just written so.
        let bytes = unsafe { slice::from_raw_parts(out.data, out.length + 1) };
        let (last, text) = bytes.split_last().unwrap();
        assert_eq!(*last, 0);
        let text = String::from_utf8(text.to_vec()).unwrap();
        for _ in 0..2 {
            // SAFETY: it was written above, and is empty the second time.
            unsafe { keepstart_free(&raw mut out) };
            assert!(out.data.is_null() && out.length == 0);
        }
        (status, text)
    }

    #[test]
    fn null_is_no_bytes() {
        for (json, length) in
            [(ptr::null(), 0), (ptr::null(), 7), (b"x".as_ptr(), 0), (b"x".as_ptr(), usize::MAX)]
        {
            let (status, text) = asked(json, length);
            assert_eq!(status, KEEPSTART_PROBLEM);
            assert!(text.contains("/problems/invalid_json"), "{text}");
        }
        // SAFETY: null is allowed.
        assert_eq!(unsafe { keepstart_answer(ptr::null(), 0, ptr::null_mut()) }, KEEPSTART_NOTHING);
        // SAFETY: null is allowed.
        unsafe { keepstart_free(ptr::null_mut()) };
    }

    #[test]
    fn what_is_asked_is_answered() {
        let request = br#"{"ask": []}"#;
        assert_eq!(
            asked(request.as_ptr(), request.len()),
            (KEEPSTART_ANSWERED, r#"{"answers":[]}"#.to_owned())
        );
    }
}
