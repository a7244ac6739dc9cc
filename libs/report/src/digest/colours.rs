//! Colours of the mail, on light and on dark ground.

/// A colour as red, green and blue.
pub(crate) type Colour = (u8, u8, u8);

/// The colours on one ground.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Theme {
    pub(crate) ground: Colour,
    pub(crate) text: Colour,
    /// Side remarks.
    pub(crate) quiet: Colour,
    pub(crate) link: Colour,
    /// Headings of what is late.
    pub(crate) late: Colour,
    /// Lines between rows.
    pub(crate) rule: Colour,
}

pub(crate) const LIGHT: Theme = Theme {
    ground: (0xff, 0xff, 0xff),
    text: (0x1b, 0x1f, 0x23),
    quiet: (0x4b, 0x52, 0x5a),
    link: (0x0b, 0x4f, 0x9e),
    late: (0x9b, 0x1c, 0x1c),
    rule: (0x80, 0x86, 0x8d),
};

pub(crate) const DARK: Theme = Theme {
    ground: (0x16, 0x18, 0x1b),
    text: (0xec, 0xed, 0xee),
    quiet: (0xb9, 0xbe, 0xc4),
    link: (0x8a, 0xb8, 0xff),
    late: (0xff, 0x9c, 0x8f),
    rule: (0x7d, 0x84, 0x8c),
};

/// Of the picture, which has no ground of its own.
pub(crate) const BAR: Colour = (0xc2, 0x57, 0x1a);
/// Of the picture's base line.
pub(crate) const AXIS: Colour = (0x78, 0x7f, 0x87);

impl Theme {
    /// The colours as CSS writes them.
    pub(crate) fn css(&self) -> Css {
        let css = |(r, g, b): Colour| format!("#{r:02x}{g:02x}{b:02x}");
        Css {
            ground: css(self.ground),
            text: css(self.text),
            quiet: css(self.quiet),
            link: css(self.link),
            late: css(self.late),
            rule: css(self.rule),
        }
    }
}

/// A [`Theme`] as text.
#[derive(Debug)]
pub(crate) struct Css {
    pub(crate) ground: String,
    pub(crate) text: String,
    pub(crate) quiet: String,
    pub(crate) link: String,
    pub(crate) late: String,
    pub(crate) rule: String,
}

#[cfg(test)]
mod tests {
    use super::*;

    /// WCAG 2.2, definitions of "relative luminance" and "contrast ratio".
    fn contrast(a: Colour, b: Colour) -> f64 {
        let channel = |byte: u8| {
            let share = f64::from(byte) / 255.0;
            if share <= 0.04045 { share / 12.92 } else { ((share + 0.055) / 1.055).powf(2.4) }
        };
        let luminance = |(r, g, b): Colour| 0.2126 * channel(r) + 0.7152 * channel(g) + 0.0722 * channel(b);
        let (a, b) = (luminance(a) + 0.05, luminance(b) + 0.05);
        if a > b { a / b } else { b / a }
    }

    #[test]
    fn contrast_is_computed_as_defined() {
        // WCAG 2.2: black on white is 21:1; #777777 on white is 4.48:1 (value from memory).
        assert!((contrast((0, 0, 0), (255, 255, 255)) - 21.0).abs() < 1e-9);
        assert!((contrast((0x77, 0x77, 0x77), (255, 255, 255)) - 4.48).abs() < 0.005);
    }

    #[test]
    fn text_and_picture_stand_out_on_both_grounds() {
        for theme in [LIGHT, DARK] {
            // WCAG 2.2, 1.4.3: at least 4.5:1 for text.
            for colour in [theme.text, theme.quiet, theme.link, theme.late] {
                let found = contrast(colour, theme.ground);
                assert!(found >= 4.5, "{colour:?} on {:?}: {found:.2}", theme.ground);
            }
            // WCAG 2.2, 1.4.11: at least 3:1 for what is drawn.
            for colour in [theme.rule, BAR, AXIS] {
                let found = contrast(colour, theme.ground);
                assert!(found >= 3.0, "{colour:?} on {:?}: {found:.2}", theme.ground);
            }
        }
    }
}
