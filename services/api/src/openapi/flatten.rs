//! Plain objects out of `allOf`, and named alternatives out of tagged ones, as generators of types like them.

use serde_json::{Map, Value, json};

use super::schemas::{Schemas, reference, referred, visit, words};

/// The members of one object.
#[derive(Clone, Default)]
struct Flat {
    description: Option<Value>,
    properties: Map<String, Value>,
    required: Vec<Value>,
}

/// Nothing is ever null in an answer, nor in a new thing: what is not known is absent.
pub(super) fn absent_instead_of_null(value: &mut Value) {
    visit(value, &mut |members| {
        if let Some(Value::Array(types)) = members.get_mut("type") {
            types.retain(|kind| kind != "null");
            if let [only] = types.as_slice() {
                let only = only.clone();
                members.insert("type".to_owned(), only);
            }
        }
        let choices = members.get("oneOf").and_then(Value::as_array);
        if let Some([Value::Object(choice), other] | [other, Value::Object(choice)]) =
            choices.map(Vec::as_slice)
            && is_null(other)
        {
            let choice = choice.clone();
            members.remove("oneOf");
            for (name, value) in choice {
                members.entry(name).or_insert(value);
            }
        }
    });
}

/// Makes every composed schema of the components flat.
pub(super) fn flatten(schemas: &mut Schemas) {
    let before = schemas.clone();
    for (name, schema) in &before {
        if schema.get("allOf").is_none() && schema.get("oneOf").is_none() {
            continue;
        }
        let found = alternatives(schema, &before);
        let flat = match found.as_slice() {
            [] => continue,
            [one] => one.clone().into_schema(schema.get("description")),
            several => match tag(several) {
                Some(tag) => tagged(name, schema, several, &tag, schemas),
                None => untagged(schema, several),
            },
        };
        schemas.insert(name.clone(), flat);
    }
}

/// What a schema can be, each as the members of one object.
fn alternatives(schema: &Value, schemas: &Schemas) -> Vec<Flat> {
    if let Some(target) = referred(schema).and_then(|name| schemas.get(name)) {
        return alternatives(target, schemas);
    }
    let own = schema.get("description");
    if let Some(Value::Array(parts)) = schema.get("allOf") {
        let mut found = vec![Flat::default()];
        for part in parts {
            let next = alternatives(part, schemas);
            found = found.iter().flat_map(|flat| next.iter().map(|other| flat.with(other))).collect();
        }
        if let ([one], Some(own)) = (found.as_mut_slice(), own) {
            one.description = Some(own.clone());
        }
        return found;
    }
    if let Some(Value::Array(choices)) = schema.get("oneOf") {
        let found: Vec<Flat> =
            choices.iter().filter(|c| !is_null(c)).flat_map(|c| alternatives(c, schemas)).collect();
        // A part that may be absent is one whose members may be.
        return if choices.iter().any(is_null) { vec![optional(&found)] } else { found };
    }
    let Some(Value::Object(properties)) = schema.get("properties") else { return Vec::new() };
    let required = schema.get("required").and_then(Value::as_array).cloned().unwrap_or_default();
    vec![Flat { description: own.cloned(), properties: properties.clone(), required }]
}

impl Flat {
    fn with(&self, other: &Self) -> Self {
        let mut both = self.clone();
        both.description = both.description.or_else(|| other.description.clone());
        both.properties.extend(other.properties.clone());
        both.required.extend(other.required.clone());
        both
    }

    fn into_schema(self, description: Option<&Value>) -> Value {
        let mut schema = json!({"type": "object", "properties": self.properties});
        if let Some(members) = schema.as_object_mut() {
            if let Some(description) = description.cloned().or(self.description) {
                members.insert("description".to_owned(), description);
            }
            if !self.required.is_empty() {
                members.insert("required".to_owned(), Value::from(self.required));
            }
        }
        schema
    }

    /// The one word that a member can have here.
    fn only(&self, member: &str) -> Option<&str> {
        let property = self.properties.get(member)?;
        let mut words = words(property, "enum");
        words.next().filter(|_| words.next().is_none())
    }
}

fn optional(found: &[Flat]) -> Flat {
    let all = found.iter().fold(Flat::default(), |all, next| all.with(next));
    Flat { required: Vec::new(), ..all }
}

fn is_null(schema: &Value) -> bool {
    schema.get("type").is_some_and(|kind| kind == "null")
}

/// The member by which alternatives are told apart: each has one word of its own there.
fn tag(found: &[Flat]) -> Option<String> {
    let mut names = found.first()?.properties.keys();
    names.find(|name| found.iter().all(|flat| flat.only(name).is_some())).cloned()
}

/// Alternatives told apart by a member: each gets a name of its own.
fn tagged(name: &str, schema: &Value, found: &[Flat], tag: &str, schemas: &mut Schemas) -> Value {
    let mut mapping = Map::new();
    for flat in found {
        let word = flat.only(tag).unwrap_or_default();
        let own = format!("{}{name}", pascal(word));
        let mut alternative = flat.clone();
        alternative.properties.insert(
            tag.to_owned(),
            json!({"type": "string", "enum": [word], "description": format!("Always `{word}` here.")}),
        );
        schemas.insert(own.clone(), alternative.into_schema(None));
        mapping.insert(word.to_owned(), reference(&own));
    }
    let choices: Vec<Value> = mapping.values().map(|target| json!({"$ref": target})).collect();
    json!({
        "description": schema.get("description"),
        "oneOf": choices,
        "discriminator": {"propertyName": tag, "mapping": mapping},
    })
}

fn untagged(schema: &Value, found: &[Flat]) -> Value {
    let choices: Vec<Value> = found.iter().map(|flat| flat.clone().into_schema(None)).collect();
    json!({"description": schema.get("description"), "oneOf": choices})
}

/// `counts_from_completion` as `CountsFromCompletion`.
fn pascal(word: &str) -> String {
    let capital = |part: &str| {
        let mut letters = part.chars();
        letters.next().into_iter().flat_map(char::to_uppercase).chain(letters).collect::<String>()
    };
    word.split('_').map(capital).collect()
}
