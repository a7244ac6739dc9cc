//! Shares of the rating: how they are told and entered.

use standby::load::Share;

#[test]
fn a_share_is_told_exactly() {
    for (millionths, told) in
        [(600_000, "60 %"), (1_000_400, "100.04 %"), (1_100_001, "110.0001 %"), (5_000, "0.5 %"), (0, "0 %")]
    {
        assert_eq!(Share::from_millionths(millionths).to_string(), told);
    }
}

#[test]
fn a_share_below_nothing_is_not_taken_for_nothing() {
    assert_eq!(Share::entered(-1), None);
    assert_eq!(Share::entered(0), Some(Share::NONE));
}
