//! What holds for any bytes.

use blob::{judge, stripped};
use proptest::prelude::*;

use crate::files::{Jpeg, Png, exif};

/// Files with something of everything.
fn seeds() -> [Vec<u8>; 3] {
    let photo =
        Jpeg::new().part(0xE0, b"JFIF\0\x01\x02\0\0\x01\0\x01\0\0").part(0xE1, &exif(6)).part(0xFE, b"Anna");
    let photo = photo.part(0xE2, b"ICC_PROFILE\0\x01\x01rgb").frame(64, 48).scan().scan().end();
    let picture = Png::new(4, 4).part(b"gAMA", &[0; 4]).part(b"tEXt", b"Author\0Anna").pixels().end();
    [photo, picture, b"%PDF-1.7\n%%EOF\n".to_vec()]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 4096, failure_persistence: None, ..ProptestConfig::default() })]

    /// Whatever is done to a file, it is refused, or what is left of it is taken and stays as it is.
    #[test]
    fn what_is_left_is_taken(which in 0..3usize, changes in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 0..4),
        cut in any::<prop::sample::Index>(), whole in any::<bool>(), more in prop::collection::vec(any::<u8>(), 0..8)) {
        let mut file = seeds()[which].clone();
        for (at, to) in changes {
            let at = at.index(file.len());
            file[at] = to;
        }
        if !whole {
            file.truncate(cut.index(file.len()));
        }
        file.extend_from_slice(&more);
        if let Ok((media_type, kept)) = stripped(&file) {
            prop_assert_eq!(kept.left_out.is_empty(), kept.bytes == file);
            prop_assert!(kept.bytes.len() <= file.len());
            prop_assert_eq!(judge(&kept.bytes), Ok(media_type));
        } else {
            prop_assert!(judge(&file).is_err());
        }
    }
}
