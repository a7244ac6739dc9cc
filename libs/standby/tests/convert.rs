//! Conversions, judged by another implementation: `tests/vectors/standby/convert.json`.

#![allow(clippy::unwrap_used, clippy::panic, reason = "helpers of tests")]

mod worked;

use model::quantity::{Celsius, Metres};
use proptest::prelude::*;
use standby::{
    amount::Volume,
    convert::{Btu, Fahrenheit, Feet, Kilograms, KilowattHours, Pounds, UsGallons},
};
use worked::{cases, steps, text};

fn converted(from: &str, value: &str) -> (&'static str, i64, usize) {
    let hundredths = || steps(value, 2);
    match from {
        "us_gallons" => ("litres", Volume::from(UsGallons::from_hundredths(hundredths())).microlitres(), 6),
        "litres" => {
            ("us_gallons", UsGallons::from(Volume::from_microlitres(steps(value, 6))).hundredths(), 2)
        }
        "pounds" => ("kilograms", Kilograms::from(Pounds::from_hundredths(hundredths())).grams(), 3),
        "kilograms" => ("pounds", Pounds::from(Kilograms::from_grams(steps(value, 3))).hundredths(), 2),
        "feet" => ("metres", Metres::from(Feet::from_hundredths(hundredths())).hundredths(), 2),
        "metres" => ("feet", Feet::from(Metres::from_hundredths(hundredths())).hundredths(), 2),
        "fahrenheit" => ("celsius", Celsius::from(Fahrenheit::from_hundredths(hundredths())).hundredths(), 2),
        "celsius" => ("fahrenheit", Fahrenheit::from(Celsius::from_hundredths(hundredths())).hundredths(), 2),
        "btu" => ("kilowatt_hours", KilowattHours::from(Btu::from_whole(steps(value, 0))).hundredths(), 2),
        "kilowatt_hours" => ("btu", Btu::from(KilowattHours::from_hundredths(hundredths())).whole(), 0),
        other => panic!("{other}"),
    }
}

#[test]
fn as_another_implementation_says() {
    for case in cases("convert", "cases") {
        let (unit, value, places) = converted(text(&case["given"], "from"), text(&case["given"], "value"));
        assert_eq!(unit, text(&case["expect"], "in"), "{case}");
        assert_eq!(value, steps(text(&case["expect"], "value"), places), "{case}");
    }
}

#[test]
fn quantities_are_told_in_their_unit() {
    use erased::Told;
    assert_eq!(UsGallons::from_hundredths(2650).told(), ("26.5".to_owned(), "26.5".to_owned()));
    assert_eq!(Kilograms::from_grams(-1).told(), ("-0.001".to_owned(), "-0.001".to_owned()));
    assert_eq!(Celsius::from_hundredths(2667).told(), ("26.67".to_owned(), "26.67".to_owned()));
}

mod erased {
    /// What a quantity is as text and as JSON.
    pub(crate) trait Told {
        fn told(&self) -> (String, String);
    }
    impl<T: std::fmt::Display + serde::Serialize> Told for T {
        fn told(&self) -> (String, String) {
            (self.to_string(), serde_json::to_string(self).unwrap())
        }
    }
}

proptest! {
    #[test]
    fn the_finer_unit_brings_the_coarser_back(steps in 0_i64..100_000_000) {
        let gallons = UsGallons::from_hundredths(steps);
        prop_assert_eq!(UsGallons::from(Volume::from(gallons)), gallons);
        let celsius = Celsius::from_hundredths(steps - 50_000_000);
        prop_assert_eq!(Celsius::from(Fahrenheit::from(celsius)), celsius);
        let pounds = Pounds::from_hundredths(steps);
        prop_assert_eq!(Pounds::from(Kilograms::from(pounds)), pounds);
        let metres = Metres::from_hundredths(steps);
        prop_assert_eq!(Metres::from(Feet::from(metres)), metres);
    }

    #[test]
    fn more_stays_more(a in -1_000_000_i64..1_000_000, b in -1_000_000_i64..1_000_000) {
        let (less, more) = (a.min(b), a.max(b));
        let celsius = |steps| Celsius::from(Fahrenheit::from_hundredths(steps));
        prop_assert!(celsius(less) <= celsius(more));
        let litres = |steps| Volume::from(UsGallons::from_hundredths(steps));
        prop_assert!(litres(less) <= litres(more));
    }
}
