//! Subject, plain text, HTML and picture of a digest.

use askama::Template;

use super::{
    colours::{Css, DARK, LIGHT},
    dated::dated,
    facts::Facts,
    order::Sorted,
    picture,
    subject::of as subject_of,
    view::View,
};

/// A digest, ready to be made a mail or looked at.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Rendered {
    /// At most 78 characters, on one line.
    pub subject: String,
    /// Complete by itself; lines end with a line feed.
    pub text: String,
    /// The same facts.
    pub html: String,
    /// Overdue over the last weeks; absent where there is nothing to draw.
    pub picture: Option<Picture>,
}

/// A picture that the HTML shows.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Picture {
    /// The HTML names it as `cid:` and this.
    pub content_id: String,
    /// A PNG.
    pub png: Vec<u8>,
}

/// Why nothing was rendered.
#[derive(Debug, thiserror::Error)]
pub enum RenderError {
    /// A template failed.
    #[error("a template of the digest failed: {0}")]
    Template(#[from] askama::Error),
    /// The picture could not be drawn or packed.
    #[error("the picture of the digest failed: {0}")]
    Picture(String),
}

/// The subject by itself: counts and the worst item.
pub fn subject(facts: &Facts) -> String {
    subject_of(facts, &Sorted::of(facts))
}

/// Renders a digest; the same facts give the same bytes.
pub fn render(facts: &Facts) -> Result<Rendered, RenderError> {
    let view = View::of(facts);
    let picture = picture::draw(&facts.weeks)?.map(|png| Picture {
        content_id: format!("weeks.{}.{}@keepstart", facts.list.id.hyphenated(), facts.local_date),
        png,
    });
    let content_id = picture.as_ref().map(|picture| picture.content_id.as_str());
    let text = Text { view: &view }.render()?;
    let html = Html { view: &view, light: LIGHT.css(), dark: DARK.css(), content_id }.render()?;
    Ok(Rendered { subject: view.subject, text, html, picture })
}

#[derive(Template)]
#[template(path = "digest.txt")]
struct Text<'a> {
    view: &'a View,
}

#[derive(Template)]
#[template(path = "digest.html")]
struct Html<'a> {
    view: &'a View,
    light: Css,
    dark: Css,
    content_id: Option<&'a str>,
}
