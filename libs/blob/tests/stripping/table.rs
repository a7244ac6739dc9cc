//! Files of every kind, made part by part, and what is left of each.

use blob::{BYTES_MOST, LeftOut, Refused, judge, name_of, stripped};
use model::MediaType;

use crate::files::{Jpeg, Png, exif, sized, turned};

/// What becomes of a file: these parts are left out and this is left, or why it is refused.
type Fate = Result<(Vec<LeftOut>, Vec<u8>), Refused>;

fn left(what: &[LeftOut], bytes: Vec<u8>) -> Fate {
    Ok((what.to_vec(), bytes))
}

fn broken(why: &'static str) -> Fate {
    Err(Refused::Broken(why))
}

#[test]
fn photos() {
    let plain = || Jpeg::new().frame(640, 480).scan();
    let jfif = |content: &[u8]| Jpeg::new().part(0xE0, content).frame(1, 1).scan().end();
    let profile = |at: &[u8]| [b"ICC_PROFILE\0\x01\x01".as_slice(), at].concat();
    let cases: Vec<(&str, Vec<u8>, Fate)> = vec![
        ("a plain one", plain().end(), left(&[], plain().end())),
        ("a progressive one", plain().scan().scan().end(), left(&[], plain().scan().scan().end())),
        (
            "place and time",
            Jpeg::new().part(0xE1, &exif(1)).frame(640, 480).scan().end(),
            left(&[LeftOut::Exif], plain().end()),
        ),
        (
            "lying on its side",
            Jpeg::new().part(0xE1, &exif(6)).frame(640, 480).scan().end(),
            left(&[LeftOut::Exif], Jpeg::new().part(0xE1, &turned(6)).frame(640, 480).scan().end()),
        ),
        (
            "on its side, and nothing else said",
            Jpeg::new().part(0xE1, &turned(8)).frame(1, 1).scan().end(),
            left(&[], Jpeg::new().part(0xE1, &turned(8)).frame(1, 1).scan().end()),
        ),
        (
            "on its side, said twice",
            Jpeg::new().part(0xE1, &turned(8)).part(0xE1, &turned(3)).frame(1, 1).scan().end(),
            left(&[LeftOut::Exif], Jpeg::new().part(0xE1, &turned(8)).frame(1, 1).scan().end()),
        ),
        (
            "no side there is",
            Jpeg::new().part(0xE1, &exif(9)).frame(640, 480).scan().end(),
            left(&[LeftOut::Exif], plain().end()),
        ),
        (
            "EXIF that breaks off",
            Jpeg::new().part(0xE1, &exif(6)[..20]).frame(640, 480).scan().end(),
            left(&[LeftOut::Exif], plain().end()),
        ),
        (
            "XMP, a comment and what an editor left",
            plain()
                .part(0xE1, b"http://ns.adobe.com/xap/1.0/\0<x/>")
                .part(0xFE, b"Anna")
                .part(0xED, b"Photoshop 3.0\0")
                .end(),
            left(&[LeftOut::Xmp, LeftOut::Text, LeftOut::Other], plain().end()),
        ),
        (
            "the profile of its colours stays, an index of other pictures goes",
            Jpeg::new().part(0xE2, &profile(b"rgb")).part(0xE2, b"MPF\0MM").frame(1, 1).scan().end(),
            left(&[LeftOut::Other], Jpeg::new().part(0xE2, &profile(b"rgb")).frame(1, 1).scan().end()),
        ),
        (
            "which colours they are stays",
            Jpeg::new().part(0xEE, b"Adobe\0\x64\0\0\0\0\x01").frame(1, 1).scan().end(),
            left(&[], Jpeg::new().part(0xEE, b"Adobe\0\x64\0\0\0\0\x01").frame(1, 1).scan().end()),
        ),
        (
            "what a program wrote behind that goes",
            Jpeg::new().part(0xEE, b"Adobe\0\x64\0\0\0\0\x01more").frame(1, 1).scan().end(),
            left(
                &[LeftOut::Other],
                Jpeg::new().part(0xEE, b"Adobe\0\x64\0\0\0\0\x01").frame(1, 1).scan().end(),
            ),
        ),
        (
            "a preview in the head",
            jfif(b"JFIF\0\x01\x02\0\0\x01\0\x01\x01\x01abc"),
            left(&[LeftOut::Preview], jfif(b"JFIF\0\x01\x02\0\0\x01\0\x01\0\0")),
        ),
        (
            "a preview beside the head",
            Jpeg::new().part(0xE0, b"JFXX\0\x10abc").frame(640, 480).scan().end(),
            left(&[LeftOut::Preview], plain().end()),
        ),
        (
            "another picture after its end",
            [plain().end(), plain().end()].concat(),
            left(&[LeftOut::AfterEnd], plain().end()),
        ),
        ("fillings", plain().raw(&[0xFF, 0xFF]).end(), left(&[LeftOut::Filling], plain().end())),
        ("as many pixels as are taken", sized(8000, 8000), left(&[], sized(8000, 8000))),
        ("more pixels", sized(8001, 8000), Err(Refused::TooManyPixels { width: 8001, height: 8000 })),
        ("no height", sized(8, 0), broken("it has no width or no height")),
        ("two sizes", Jpeg::new().frame(1, 1).frame(50_000, 50_000).scan().end(), broken("it has two sizes")),
        ("no size", Jpeg::new().scan().end(), broken("its pixels come before its size")),
        ("no pixels", Jpeg::new().frame(1, 1).end(), broken("it has no pixels")),
        ("no end", plain().raw(b"").cut(0), broken("it breaks off")),
        ("a part that breaks off", Jpeg::new().part(0xFE, b"Anna").cut(2), broken("it breaks off")),
        ("a part without a length", Jpeg::new().raw(&[0xFF, 0xFE, 0, 1]).end(), broken("it breaks off")),
        (
            "a height that comes later",
            plain().part(0xDC, &[0, 9]).end(),
            broken("it has a part that nobody knows"),
        ),
        (
            "something between its parts",
            Jpeg::new().part(0xDB, b"").raw(b"<script>").end(),
            broken("something stands between its parts"),
        ),
    ];
    play(MediaType::Jpeg, cases);
}

#[test]
fn pictures() {
    let plain = || Png::new(4, 4).pixels();
    let mut bad_sum = plain().end();
    *bad_sum.last_mut().unwrap() ^= 1;
    let mut cut = plain().end();
    cut.truncate(cut.len() - 6);
    let cases: Vec<(&str, Vec<u8>, Fate)> = vec![
        ("a plain one", plain().end(), left(&[], plain().end())),
        (
            "texts, time and EXIF",
            Png::new(4, 4)
                .part(b"tEXt", b"Author\0Anna")
                .part(b"eXIf", b"MM")
                .pixels()
                .part(b"tIME", &[7; 7])
                .part(b"iTXt", b"XML")
                .end(),
            left(&[LeftOut::Text, LeftOut::Exif, LeftOut::Time], plain().end()),
        ),
        (
            "which side is up stays, once",
            Png::new(4, 4).part(b"eXIf", &exif(6)[6..]).pixels().part(b"eXIf", &exif(3)[6..]).end(),
            left(&[LeftOut::Exif], Png::new(4, 4).part(b"eXIf", &turned(6)[6..]).pixels().end()),
        ),
        (
            "which side is up, and nothing else",
            Png::new(4, 4).part(b"eXIf", &turned(8)[6..]).pixels().end(),
            left(&[], Png::new(4, 4).part(b"eXIf", &turned(8)[6..]).pixels().end()),
        ),
        (
            "what a program added",
            plain().part(b"vpAg", b"secret").end(),
            left(&[LeftOut::Other], plain().end()),
        ),
        (
            "what it looks like stays",
            Png::new(4, 4).part(b"gAMA", &[0, 0, 0xB1, 0x8F]).part(b"pHYs", &[0; 9]).pixels().end(),
            left(
                &[],
                Png::new(4, 4).part(b"gAMA", &[0, 0, 0xB1, 0x8F]).part(b"pHYs", &[0; 9]).pixels().end(),
            ),
        ),
        (
            "something after its end",
            [plain().end(), b"<html>".to_vec()].concat(),
            left(&[LeftOut::AfterEnd], plain().end()),
        ),
        (
            "a bomb",
            Png::new(50_000, 50_000).pixels().end(),
            Err(Refused::TooManyPixels { width: 50_000, height: 50_000 }),
        ),
        ("no width", Png::new(0, 4).pixels().end(), broken("it has no width or no height")),
        (
            "two headers",
            Png::new(4, 4).part(b"IHDR", &[0; 13]).pixels().end(),
            broken("it does not begin with its one header"),
        ),
        ("no pixels", Png::new(4, 4).end(), broken("it has no pixels")),
        (
            "a part that must be known",
            plain().part(b"FOOb", b"").end(),
            broken("it has a part that nobody knows"),
        ),
        (
            "a part without a name",
            plain().part(b"\0\0\0\0", b"").end(),
            broken("it has a part without a name"),
        ),
        ("a sum that does not fit", bad_sum, broken("a sum does not fit what it is of")),
        ("one that breaks off", cut, broken("it breaks off")),
    ];
    play(MediaType::Png, cases);
}

#[test]
fn papers_and_what_is_none() {
    let cases: Vec<(&str, Vec<u8>, Fate)> = vec![
        ("a paper", b"%PDF-1.7\n%%EOF\n".to_vec(), left(&[], b"%PDF-1.7\n%%EOF\n".to_vec())),
        ("a paper without an end", b"%PDF-2.0\n".to_vec(), broken("it has no end")),
        (
            "its end too far from the end",
            [b"%PDF-1.4\n%%EOF".to_vec(), vec![b' '; 1025]].concat(),
            broken("it has no end"),
        ),
        ("a page", b"<html>%PDF-1.7 %%EOF".to_vec(), Err(Refused::OtherType)),
        ("a drawing with a script", b"<svg onload='x()'/>".to_vec(), Err(Refused::OtherType)),
        ("an animation", b"GIF89a".to_vec(), Err(Refused::OtherType)),
        ("nothing", Vec::new(), Err(Refused::OtherType)),
        ("too much", vec![0; usize::try_from(BYTES_MOST).unwrap() + 1], Err(Refused::TooLarge)),
    ];
    play(MediaType::Pdf, cases);
}

/// Plays a table: what is left of each file is what it says, is taken, and has nothing more to be taken out.
fn play(media_type: MediaType, cases: Vec<(&str, Vec<u8>, Fate)>) {
    for (case, file, expected) in cases {
        let fate = stripped(&file);
        let told = fate.clone().map(|(_, kept)| (kept.left_out, kept.bytes));
        assert_eq!(told, expected, "{case}");
        let Ok((found, kept)) = fate else {
            assert_eq!(judge(&file), Err(expected.unwrap_err()), "{case}");
            continue;
        };
        assert_eq!(found, media_type, "{case}");
        assert_eq!(judge(&kept.bytes), Ok(media_type), "{case}: what is left is taken");
        let judged = judge(&file);
        if kept.left_out.is_empty() {
            assert_eq!(judged, Ok(media_type), "{case}");
        } else {
            let stripped = name_of(&kept.bytes);
            assert_eq!(judged, Err(Refused::Metadata { left_out: kept.left_out, stripped }), "{case}");
        }
    }
}

/// What a decoder of others reads is the same before and after.
#[test]
fn pixels_stay_as_they_were() {
    let file = Png::new(4, 4).part(b"tEXt", b"Author\0Anna").pixels().part(b"tIME", &[7; 7]).end();
    let (_, kept) = stripped(&file).unwrap();
    let read = |bytes: &[u8]| {
        let mut reader = png::Decoder::new(std::io::Cursor::new(bytes.to_vec())).read_info().unwrap();
        let mut pixels = vec![0; reader.output_buffer_size().unwrap()];
        reader.next_frame(&mut pixels).unwrap();
        (pixels, reader.info().uncompressed_latin1_text.len())
    };
    let ((before, texts), (after, none)) = (read(&file), read(&kept.bytes));
    assert_eq!((before, texts, none), (after, 1, 0));
}
