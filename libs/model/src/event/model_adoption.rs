use serde::Serialize;
use serde_json::Value;
use utoipa::ToSchema;

use super::{Adoption, Details, EventKind, ServiceEvent, occurred};
use crate::{
    id::{EventId, PersonId, UnitId},
    private::PrivateText,
    read::{Flaw, Object},
    text::Label,
    time::Occurred,
    unit::UnitFields,
};

/// A maker's model: all units whose fields say exactly this, those to come included.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, ToSchema)]
pub struct UnitModel {
    /// Who made it.
    #[schema(value_type = String, max_length = 200)]
    pub maker: Label,
    /// The maker's model designation.
    #[schema(value_type = String, max_length = 200)]
    pub model: Label,
}

impl UnitModel {
    /// The model of a unit; none unless its fields name both maker and model.
    pub fn of(fields: &UnitFields) -> Option<Self> {
        Some(Self { maker: fields.maker.clone()?, model: fields.model.clone()? })
    }

    fn read(o: &mut Object<'_>) -> Option<Self> {
        let maker = o.required("maker", Label::read);
        let model = o.required("model", Label::read);
        Some(Self { maker: maker?, model: model? })
    }
}

/// An edition of a schedule holds for every unit of a model; immutable once recorded. A unit's own adoptions and those
/// for its model stand beside each other: of one schedule, that which holds from the later day holds.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[serde(tag = "kind", rename = "adoption")]
pub struct ModelAdoption {
    /// Its permanent id, made by the client; also the key that makes a repeat recognisable.
    pub id: EventId,
    /// For which units.
    #[serde(flatten)]
    pub of: UnitModel,
    /// When it was decided.
    #[serde(flatten)]
    pub occurred: Occurred,
    /// For whom the author entered it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub on_behalf_of: Option<PersonId>,
    /// Anything else; private, erasable.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub note: Option<PrivateText>,
    /// The adoption.
    #[serde(flatten)]
    pub adoption: Adoption,
}

impl ModelAdoption {
    /// Reads an adoption for a model.
    pub fn read(o: &mut Object<'_>) -> Option<Self> {
        let kind = o.required("kind", adoption_only);
        let id = o.required("id", EventId::read);
        let of = UnitModel::read(o);
        let occurred = occurred(o);
        let on_behalf_of = o.optional("on_behalf_of", PersonId::read);
        let note = o.private("note");
        let adoption = Adoption::read(o);
        kind?;
        Some(Self { id: id?, of: of?, occurred: occurred?, on_behalf_of, note, adoption: adoption? })
    }

    /// The same as an event of one unit of the model.
    pub fn for_unit(&self, unit_id: UnitId) -> ServiceEvent {
        ServiceEvent {
            id: self.id,
            unit_id,
            occurred: self.occurred.clone(),
            on_behalf_of: self.on_behalf_of,
            note: self.note.clone(),
            attachments: Vec::new(),
            details: Details::Adoption(self.adoption.clone()),
        }
    }
}

fn adoption_only(value: &Value) -> Result<(), Flaw> {
    if value.as_str() == Some(EventKind::Adoption.as_str()) {
        Ok(())
    } else {
        Err(Flaw::new(
            "of_one_unit",
            "Only an adoption is for a maker and model; this names one unit, unit_id.",
        ))
    }
}

/// What is posted as a service event: something that happened to one unit, or an adoption for a model.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Posted {
    /// Of one unit.
    OfUnit(Box<ServiceEvent>),
    /// For a model.
    OfModel(Box<ModelAdoption>),
}

impl Posted {
    /// Reads either; an adoption that names a maker or a model and no unit is for a model.
    pub fn read(o: &mut Object<'_>) -> Option<Self> {
        let of_model = o.has("maker") || o.has("model");
        if !of_model || !o.is("kind", EventKind::Adoption.as_str()) {
            return ServiceEvent::read(o).map(Box::new).map(Self::OfUnit);
        }
        if o.has("unit_id") {
            o.ignore_rest();
            return o
                .fail("unit_id", Flaw::new("two_subjects", "Give unit_id, or maker and model, not both."));
        }
        ModelAdoption::read(o).map(Box::new).map(Self::OfModel)
    }
}
