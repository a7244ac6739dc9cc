//! Mail lists: who gets the digest of what is due, about which sites, and when.

use std::fmt;

use serde::{Serialize, Serializer};
use serde_json::Value;
use utoipa::ToSchema;

use crate::{
    id::{MailListId, PersonId},
    mark::Marked,
    person::{ROLES, Role, SiteScope},
    private::PrivateText,
    read::{Flaw, Object, word},
    text::Label,
    time::Zone,
};

/// The fields of a mail list; in a patch, those that it sets.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, ToSchema)]
pub struct MailListFields {
    /// What the list is called.
    #[schema(value_type = String, required = true, example = "Fire stations, daily", min_length = 1, max_length = 200)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub name: Option<Label>,
    /// IANA time zone of those who read it: their day begins and ends there.
    #[schema(value_type = String, required = true, example = "America/Denver")]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub zone: Option<Zone>,
    /// Which sites it tells of: "all", or ids.
    #[schema(value_type = ListedSites, required = true)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sites: Option<SiteScope>,
    /// For whom it is written. A coordinator is told what has been overdue for a week, a planner what has been for two.
    #[schema(required = true)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub role: Option<Role>,
    /// When the mail is made, by the clocks of its zone; absent means 06:00.
    #[schema(value_type = String, pattern = "^([01][0-9]|2[0-3]):[0-5][0-9]$", example = "06:00")]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub send_at: Option<TimeOfDay>,
    /// The day of the week on which there is a mail though nothing changed; absent means monday.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub heartbeat: Option<Weekday>,
    /// Whether somebody must always get it: that its last recipient has left is an alarm. Taken away with null.
    #[schema(value_type = bool, example = true)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub duty: Option<Marked>,
    /// Whether it is given up. Taken away with null.
    #[schema(value_type = bool, example = true)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub retired: Option<Marked>,
}

/// Which sites.
#[derive(ToSchema)]
#[serde(untagged)]
#[allow(dead_code, reason = "describes what is read by hand")]
pub enum ListedSites {
    /// Every site, also later ones.
    All(AllSites),
    /// These.
    Only(Vec<String>),
}

/// Every site.
#[derive(ToSchema)]
#[serde(rename_all = "snake_case")]
#[allow(dead_code, reason = "describes what is read by hand")]
pub enum AllSites {
    /// Every site, also later ones.
    All,
}

impl MailListFields {
    /// Reads the fields that are there.
    pub fn read(o: &mut Object<'_>) -> Option<Self> {
        Some(Self {
            name: o.required("name", Label::read),
            zone: o.required("zone", Zone::read),
            sites: o.required("sites", SiteScope::read),
            role: o.required("role", word(ROLES)),
            send_at: o.optional("send_at", TimeOfDay::read),
            heartbeat: o.optional("heartbeat", word(WEEKDAYS)),
            duty: o.optional("duty", Marked::read),
            retired: o.optional("retired", Marked::read),
        })
    }
}

/// The fields of a recipient of a mail list; in a patch, those that it sets.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, ToSchema)]
pub struct RecipientFields {
    /// The list.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = String, format = "uuid", required = true)]
    pub mail_list_id: Option<MailListId>,
    /// The address, as `name@domain`; private, erasable.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = String, required = true, format = "email", max_length = 254, example = "duty@tarn-valley.example")]
    pub address: Option<PrivateText>,
    /// Whose address it is: they are told no more than they may see. Without it the list's own sites and role decide.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = String, format = "uuid")]
    pub person_id: Option<PersonId>,
    /// Whether they have left the list. Taken away with null.
    #[schema(value_type = bool, example = true)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub ended: Option<Marked>,
}

impl RecipientFields {
    /// JSON Pointers to the private text among the fields.
    pub const PRIVATE: &[&str] = &["/address"];

    /// Reads the fields that are there.
    pub fn read(o: &mut Object<'_>) -> Option<Self> {
        let mail_list_id = o.required("mail_list_id", MailListId::read);
        let mut address = o.required_private("address");
        if let Some(PrivateText::Clear { text, .. }) = &address
            && let Err(flaw) = EmailAddress::parse(text)
        {
            address = o.fail("address", flaw);
        }
        Some(Self {
            mail_list_id,
            address,
            person_id: o.optional("person_id", PersonId::read),
            ended: o.optional("ended", Marked::read),
        })
    }
}

/// An address that mail is sent to: one mailbox, in ASCII, without a display name (RFC 5321 section 4.1.2).
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct EmailAddress(Box<str>);

/// The longest address (RFC 5321 section 4.5.3.1.3, without the angle brackets).
const ADDRESS_CHARS: usize = 254;
/// The longest part before the at sign (RFC 5321 section 4.5.3.1.1).
const LOCAL_CHARS: usize = 64;

impl EmailAddress {
    /// Parses an address; quoted names, comments and address literals are refused, since nobody has one.
    pub fn parse(text: &str) -> Result<Self, Flaw> {
        let flaw =
            || Flaw::new("invalid_address", "An address is one mailbox such as duty@tarn-valley.example.");
        let (local, domain) = text.rsplit_once('@').ok_or_else(flaw)?;
        let atext = |c: char| c.is_ascii_alphanumeric() || "!#$%&'*+-/=?^_`{|}~".contains(c);
        let dotted = |part: &str, allowed: &dyn Fn(char) -> bool| {
            part.split('.').all(|atom| !atom.is_empty() && atom.chars().all(allowed))
        };
        let label = |c: char| c.is_ascii_alphanumeric() || c == '-';
        let hyphens = domain.split('.').any(|label| label.starts_with('-') || label.ends_with('-'));
        let well_formed = text.len() <= ADDRESS_CHARS
            && local.len() <= LOCAL_CHARS
            && dotted(local, &atext)
            && dotted(domain, &label)
            && domain.contains('.')
            && !hyphens;
        if well_formed { Ok(Self(text.into())) } else { Err(flaw()) }
    }

    /// The address as text.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl fmt::Debug for EmailAddress {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("EmailAddress(..)")
    }
}

/// A time of day by the clock on the wall, to the minute.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct TimeOfDay {
    minutes: u16,
}

impl TimeOfDay {
    /// Six in the morning.
    pub const SIX: Self = Self { minutes: 360 };

    /// Parses `HH:MM`, from 00:00 to 23:59.
    pub fn parse(text: &str) -> Result<Self, Flaw> {
        let flaw = || Flaw::new("invalid_time", "A time of day is written HH:MM, such as 06:00.");
        let (hour, minute) = text.split_once(':').ok_or_else(flaw)?;
        let two = |digits: &str, below: u16| {
            let plain = digits.len() == 2 && digits.bytes().all(|byte| byte.is_ascii_digit());
            digits.parse::<u16>().ok().filter(|number| plain && *number < below).ok_or_else(flaw)
        };
        Ok(Self { minutes: two(hour, 24)? * 60 + two(minute, 60)? })
    }

    /// Reads a time of day from a JSON string.
    pub fn read(value: &Value) -> Result<Self, Flaw> {
        value.as_str().ok_or_else(|| Flaw::wrong_type("a string")).and_then(Self::parse)
    }

    /// Minutes since midnight, as a clock on the wall shows them.
    pub const fn minutes(self) -> u16 {
        self.minutes
    }
}

impl Serialize for TimeOfDay {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.collect_str(&format_args!("{:02}:{:02}", self.minutes / 60, self.minutes % 60))
    }
}

/// A day of the week.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
#[allow(missing_docs, reason = "their names say it")]
pub enum Weekday {
    Monday,
    Tuesday,
    Wednesday,
    Thursday,
    Friday,
    Saturday,
    Sunday,
}

/// The words for [`Weekday`].
pub const WEEKDAYS: &[(&str, Weekday)] = &[
    ("monday", Weekday::Monday),
    ("tuesday", Weekday::Tuesday),
    ("wednesday", Weekday::Wednesday),
    ("thursday", Weekday::Thursday),
    ("friday", Weekday::Friday),
    ("saturday", Weekday::Saturday),
    ("sunday", Weekday::Sunday),
];

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;
    use crate::read::{Mode, whole};

    #[test]
    fn addresses_are_one_mailbox_each() {
        // RFC 5321 section 4.1.2 and 4.5.3.1; NEEDS of header safety: nothing that could begin another header or recipient.
        let local = "a".repeat(64);
        let good = ["duty@tarn-valley.example", "a.b+c@x.example", &format!("{local}@x.example")];
        for text in good {
            assert_eq!(EmailAddress::parse(text).map(|a| a.as_str().to_owned()), Ok(text.to_owned()));
        }
        let long = format!("{local}a@x.example");
        let bad = [
            "",
            "duty",
            "@x.example",
            "duty@",
            "duty@x",
            "a b@x.example",
            "a@x.example,b@x.example",
            "A <a@x.example>",
            "a@x.example\r\nBcc: b@x.example",
            "a@x..example",
            ".a@x.example",
            "a.@x.example",
            "a@-x.example",
            "\"a\"@x.example",
            "a@[127.0.0.1]",
            "ä@x.example",
            "a@ü.example",
            "a@x.example\0",
            "a%0aBcc@x.example\n",
            &long,
        ];
        for text in bad {
            assert!(EmailAddress::parse(text).is_err(), "{text:?}");
        }
    }

    #[test]
    fn lists_and_recipients_are_read_as_written() {
        let list = json!({"name": "Fire stations", "zone": "America/Denver", "sites": "all", "role": "coordinator",
            "send_at": "06:30", "heartbeat": "friday", "duty": true});
        let read = whole(&list, Mode::New, MailListFields::read).unwrap();
        assert_eq!(read.send_at.unwrap().minutes(), 390);
        assert_eq!(serde_json::to_value(read).unwrap(), list);
        let id = "019a0b5e-7c00-7000-8000-000000000001";
        let recipient = json!({"mail_list_id": id, "address": "duty@tarn-valley.example", "person_id": id});
        let read = whole(&recipient, Mode::New, RecipientFields::read).unwrap();
        assert_eq!(serde_json::to_value(read).unwrap(), recipient);

        let of_list = |member: &str, value: Value| {
            let mut body = list.clone();
            body[member] = value;
            whole(&body, Mode::New, MailListFields::read).err().map(|errors| errors.len())
        };
        for (member, value) in [
            ("send_at", json!("6:00")),
            ("send_at", json!("24:00")),
            ("send_at", json!("06:60")),
            ("send_at", json!("+6:00")),
            ("heartbeat", json!("Monday")),
            ("duty", json!(false)),
            ("role", json!("boss")),
            ("sites", json!([])),
        ] {
            assert_eq!(of_list(member, value.clone()), Some(1), "{member} {value}");
        }
        let bad = json!({"mail_list_id": id, "address": "a@x.example\nBcc: b@x.example"});
        let errors = whole(&bad, Mode::New, RecipientFields::read).unwrap_err();
        assert_eq!(errors[0].pointer.as_deref(), Some("/address"));
        let private = json!({"mail_list_id": id, "address": {"text": "nobody", "salt": "00".repeat(16)}});
        assert!(whole(&private, Mode::New, RecipientFields::read).is_err());
    }
}
