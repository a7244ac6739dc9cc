//! Faults that are planted, and found: the judge is no better than what it catches.

#![allow(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    reason = "a test fails by panicking; its functions stand outside #[test] so that both databases share them"
)]

use std::sync::Mutex;

use blackbox::{Backend, Client, Cut, Relay, Town, World, on_both, world::new_id};
use fastrand::Rng;
use faults::{Batches, Device, Made, NoAnswer, Push, Route, fill::Reader, judge::Left, push::Answer};
use serde_json::json;

on_both!(
    what_is_right_is_found_right,
    an_answer_for_what_was_never_recorded,
    a_client_that_takes_unanswered_for_lost,
    a_row_that_is_gone,
    a_row_that_is_there_twice,
    what_is_read_otherwise_than_it_was_sent,
    a_page_that_a_copy_skipped,
);

/// A device with a unit of its own, and who asks for what is there.
struct Field {
    world: World,
    town: Town,
    client: Client,
    device: Device,
}

impl Field {
    fn new(backend: Backend) -> Self {
        let world = World::new(backend);
        let town = world.town();
        let device = Device::new("d0".to_owned(), town.unit("FS-1"), Route::Batch, Rng::with_seed(7));
        let client = town.coordinator().clone();
        Self { world, town, client, device }
    }

    /// Some pushes that are all answered.
    fn pushed(backend: Backend) -> Self {
        let mut field = Self::new(backend);
        let push = Batches(field.client.clone());
        (0..3).for_each(|_| field.device.step(&push).unwrap());
        field
    }

    fn left(&self) -> Left {
        Left::of(&self.world.database, &self.town, &self.client, &[&self.device.unit])
    }

    /// What the judge finds wrong, each beginning with its word for it.
    #[track_caller]
    fn finds(&self, left: &Left, words: &[&str]) {
        let wrong = left.wrong(&self.device.made.iter().collect::<Vec<_>>());
        assert_eq!(wrong.len(), words.len(), "{wrong:#?}");
        for (wrong, word) in wrong.iter().zip(words) {
            assert!(wrong.starts_with(word), "{word} is not what it says: {wrong}");
        }
    }
}

fn what_is_right_is_found_right(backend: Backend) {
    let field = Field::pushed(backend);
    assert!(field.device.made.len() > 3);
    field.finds(&field.left(), &[]);
}

/// A service that answers before it has recorded.
struct Hasty;

impl Push for Hasty {
    fn push(&self, edits: &[&Made]) -> Result<Vec<Answer>, NoAnswer> {
        let applied = |made: &&Made| Answer { id: made.id().to_owned(), result: "applied".to_owned() };
        Ok(edits.iter().map(applied).collect())
    }
}

fn an_answer_for_what_was_never_recorded(backend: Backend) {
    let mut field = Field::pushed(backend);
    let recorded = field.device.made.len();
    field.device.step(&Hasty).unwrap();
    let lost = field.device.made.len() - recorded;
    field.finds(&field.left(), &vec!["lost: d0-"; 2 * lost]);
    // Sent again they are new, which tells that they were lost before.
    field.device.send_all_again(&Batches(field.client.clone())).unwrap();
    assert_eq!(field.device.wrong.len(), lost, "{:?}", field.device.wrong);
}

/// A client that makes new ids for what it got no answer for.
struct Renaming {
    cut: Mutex<Option<Client>>,
    whole: Client,
}

impl Push for Renaming {
    fn push(&self, edits: &[&Made]) -> Result<Vec<Answer>, NoAnswer> {
        if let Some(cut) = self.cut.lock().unwrap().take() {
            return Batches(cut).push(edits);
        }
        let renamed: Vec<Made> = edits.iter().map(|made| renamed(made)).collect();
        let answers = Batches(self.whole.clone()).push(&renamed.iter().collect::<Vec<_>>())?;
        let as_before = |(made, answer): (&&Made, Answer)| Answer { id: made.id().to_owned(), ..answer };
        Ok(edits.iter().zip(answers).map(as_before).collect())
    }
}

fn renamed(made: &Made) -> Made {
    let mut made = made.clone();
    made.event["id"] = json!(new_id());
    made
}

fn a_client_that_takes_unanswered_for_lost(backend: Backend) {
    let mut field = Field::new(backend);
    // The request arrives whole, and of the answer one byte.
    let cut = Cut { answered: 1, ..Cut::NEVER };
    let relay = Relay::cutting(&[field.world.service.url()], move || cut);
    let token = field.world.token(field.town.id, field.town.people["coordinator"]);
    let cut = Mutex::new(Some(Client::new(relay.url(), Some(&token))));
    let push = Renaming { cut, whole: field.client.clone() };
    assert!(field.device.step(&push).is_err());
    field.device.send(&push).unwrap();
    let twice: Vec<&str> = field.device.made.iter().map(|_| "doubled: ").collect();
    field.finds(&field.left(), &twice);
}

fn a_row_that_is_gone(backend: Backend) {
    let field = Field::pushed(backend);
    let database = &field.world.database;
    let edit = match backend {
        Backend::Sqlite => format!("x'{}'", field.device.made[1].id().replace('-', "")),
        Backend::Postgres => format!("'{}'", field.device.made[1].id()),
    };
    assert_eq!(database.sql(&format!("DELETE FROM change_log WHERE edit_id = {edit}")), 1);
    let nowhere =
        ["lost: d0-1, acknowledged, is not in the log", "lost: d0-1, acknowledged, is not read back"];
    field.finds(&field.left(), &nowhere);
}

/// The database would not take it; a database that did is thought of here.
fn a_row_that_is_there_twice(backend: Backend) {
    let field = Field::pushed(backend);
    let mut left = field.left();
    let again = left.logged[2].clone();
    left.logged.push(again);
    field.finds(&left, &["doubled: d0-"]);
}

fn what_is_read_otherwise_than_it_was_sent(backend: Backend) {
    let field = Field::pushed(backend);
    let mut left = field.left();
    left.read[1]["meter_hours"] = json!(99);
    field.finds(&left, &["changed: "]);
}

fn a_page_that_a_copy_skipped(backend: Backend) {
    let field = Field::pushed(backend);
    let reader = Reader::Integrator(5);
    let (whole, mut copy) = (reader.fill(&field.client), reader.fill(&field.client));
    assert!(whole.pages > 1);
    assert_eq!(copy.differs(&whole), None);
    copy.records.pop_first();
    assert!(copy.differs(&whole).is_some());
}
