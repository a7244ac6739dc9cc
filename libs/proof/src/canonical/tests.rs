use proptest::prelude::*;
use serde_json::json;

use super::*;
use crate::sha256;

#[track_caller]
fn spelled(text: &str) -> String {
    canonical(&serde_json::from_str(text).unwrap()).unwrap().into_string()
}

/// The six published pairs of test data of RFC 8785 (cyberphone/json-canonicalization, folder testdata), the
/// inputs by value, the outputs by the SHA-256 of their files.
#[test]
fn the_published_pairs() {
    let pairs = [
        (
            "arrays",
            r#"[56, {"d": true, "10": null, "1": [ ]}]"#,
            "099601b171cafed97c333f8878d68e7f8c8f795412adb34b2fdcf0e7c7beac42",
        ),
        (
            "french",
            r#"{"peach": "This sorting order", "péché": "is wrong according to French",
                "pêche": "but canonicalization MUST", "sin": "ignore locale"}"#,
            "d99d0ebdcb0033cb858cfa830ae46bc0fb3309413b271f1da828c89901a27ed5",
        ),
        (
            "structures",
            r#"{"1": {"f": {"f": "hi", "F": 5}, "\n": 56.0}, "10": { }, "": "empty", "a": { },
                "111": [ {"e": "yes", "E": "no"} ], "A": { }}"#,
            "605f65004ec2db7692522a0852c22f1c989e036d547e88963d1a3143cf3195d5",
        ),
        (
            "unicode",
            r#"{"Unnormalized Unicode": "A\u030a"}"#,
            "0d99aad92a125196ff887876643fd3206786a84ddce2cee52ba4ad256d2381d3",
        ),
        ("values", VALUES, "2d5e01a318d0f0879ab568c4be289c8b1f64ef8921a53c6277d5e069978baacb"),
        (
            "weird",
            r#"{"\u20ac": "Euro Sign", "\r": "Carriage Return", "\u000a": "Newline", "1": "One",
                "\u0080": "Control\u007f", "\ud83d\ude02": "Smiley",
                "\u00f6": "Latin Small Letter O With Diaeresis",
                "\ufb33": "Hebrew Letter Dalet With Dagesh", "</script>": "Browser Challenge"}"#,
            "6af595a9aa80110b964b4de3f82a05fa6ae7423005019bacfa2620dddc4e94d1",
        ),
    ];
    for (name, input, hash) in pairs {
        let output = spelled(input);
        assert_eq!(sha256(&output).to_string(), hash, "{name}: {output}");
    }
}

const VALUES: &str = r#"{"numbers":[333333333.33333329,1E30,4.50,2e-3,0.000000000000000000000000001],"string":"\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/","literals":[null,true,false]}"#;

#[test]
fn the_values_pair_letter_by_letter() {
    let output = r#"{"literals":[null,true,false],"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],"string":"€$\u000f\nA'B\"\\\\\"/"}"#;
    assert_eq!(spelled(VALUES), output);
}

/// Doubles by their bits (RFC 8785, appendix B).
#[test]
fn doubles() {
    let table = [
        (0x4340_0000_0000_0001_u64, "9007199254740994"),
        (0x444b_1ae4_d6e2_ef50, "1e+21"),
        (0x3eb0_c6f7_a0b5_ed8d, "0.000001"),
        (0x3eb0_c6f7_a0b5_ed8c, "9.999999999999997e-7"),
        (0x8000_0000_0000_0000, "0"),
    ];
    for (bits, text) in table {
        assert_eq!(canonical(&json!(f64::from_bits(bits))).unwrap().as_str(), text, "{bits:016x}");
    }
}

/// 😂 (U+1F602) is D83D DE02 in UTF-16 and so comes before U+FB33, which its UTF-8 bytes would not (RFC 8785,
/// section 3.2.3).
#[test]
fn names_sort_by_utf16() {
    assert_eq!(spelled(r#"{"\ufb33":1,"\ud83d\ude02":2,"b":3,"a":4,"ab":5,"":6,"\r":7}"#), {
        "{\"\":6,\"\\r\":7,\"a\":4,\"ab\":5,\"b\":3,\"😂\":2,\"\u{fb33}\":1}"
    });
}

#[test]
fn escapes() {
    assert_eq!(
        spelled(r#""\u0008\u0009\u000a\u000c\u000d\u0000\u001f\u007f\u2028\/é""#),
        "\"\\b\\t\\n\\f\\r\\u0000\\u001f\u{7f}\u{2028}/é\""
    );
}

#[test]
fn what_has_no_spelling() {
    let huge: Value = serde_json::from_str("[1e400]").unwrap();
    assert_eq!(canonical(&huge), Err(CanonicalError::Number("1e+400".into())));
    let nested = |levels| (0..levels).fold(Value::Null, |inner, _| json!([inner]));
    assert!(canonical(&nested(MAX_DEPTH)).is_ok());
    assert_eq!(canonical(&nested(MAX_DEPTH + 1)), Err(CanonicalError::TooDeep));
}

fn values() -> impl Strategy<Value = Value> {
    let leaf = prop_oneof![
        Just(Value::Null),
        any::<bool>().prop_map(Value::from),
        any::<i64>().prop_map(Value::from),
        any::<u64>().prop_map(f64::from_bits).prop_filter_map("finite", |n| n.is_finite().then(|| json!(n))),
        any::<String>().prop_map(Value::from),
    ];
    leaf.prop_recursive(4, 32, 6, |inner| {
        prop_oneof![
            prop::collection::vec(inner.clone(), 0..6).prop_map(Value::from),
            prop::collection::btree_map(any::<String>(), inner, 0..6)
                .prop_map(|members| Value::Object(members.into_iter().collect())),
        ]
    })
}

/// The same value, members in falling order, with blanks.
fn backwards(value: &Value) -> String {
    match value {
        Value::Array(items) => {
            format!("[ {} ]", items.iter().map(backwards).collect::<Vec<_>>().join(" , "))
        }
        Value::Object(members) => {
            let mut members: Vec<_> = members.iter().collect();
            members.sort_by(|a, b| b.0.cmp(a.0));
            let members: Vec<_> = members
                .into_iter()
                .map(|(name, value)| format!("{} :\n{}", json!(name), backwards(value)))
                .collect();
            format!("{{ {} }}", members.join(" , "))
        }
        other => other.to_string(),
    }
}

proptest! {
    #[test]
    fn one_spelling_whatever_the_order(value in values()) {
        let once = canonical(&value).unwrap();
        prop_assert_eq!(&spelled(once.as_str()), once.as_str());
        prop_assert_eq!(&spelled(&backwards(&value)), once.as_str());
    }

    #[test]
    fn a_member_is_added_where_it_belongs(
        named in prop::collection::btree_map("[a-z_]{1,3}", values(), 1..6),
        apart in prop::collection::vec(any::<bool>(), 6),
    ) {
        let all: Map<String, Value> = named.into_iter().collect();
        let (mut rest, mut more) = (all.clone(), Vec::new());
        for ((name, value), _) in all.iter().zip(apart).filter(|(_, apart)| *apart) {
            rest.remove(name);
            more.push((name.as_str(), canonical(value).unwrap().into_string()));
        }
        let more: Vec<(&str, &str)> = more.iter().rev().map(|(name, value)| (*name, value.as_str())).collect();
        prop_assert_eq!(canonical(&Value::Object(rest)).unwrap().with(&more), canonical(&Value::Object(all)).unwrap());
    }

    #[test]
    fn doubles_survive(bits in any::<u64>()) {
        let double = f64::from_bits(bits);
        prop_assume!(double.is_finite());
        let back: f64 = canonical(&json!(double)).unwrap().as_str().parse().unwrap();
        prop_assert!(back == double);
    }
}
