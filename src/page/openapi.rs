//! The OpenAPI 3.1 document, made of the table of routes.

use std::sync::{Arc, LazyLock};

use axum::{extract::State, http::Method, response::Response};
use schemars::{JsonSchema, SchemaGenerator, generate::SchemaSettings};
use serde_json::{Map, Value, json};

use super::{
    house::House,
    reply::{self, Problem},
    route::{self, Route, Taken},
};
use crate::inspection::photograph::Kind;

static DOCUMENT: LazyLock<Value> = LazyLock::new(made);

/// `GET /api/1/openapi.json`.
pub(super) async fn document(State(_): State<Arc<House>>) -> Response {
    reply::json(&*DOCUMENT)
}

/// Answers that any route may give, by the gate before it.
const ANYWHERE: [(u16, &str); 9] = [
    (400, "What was sent cannot be understood."),
    (401, "This device is not paired."),
    (
        403,
        "Another page asked, or this bench is not open to the network.",
    ),
    (405, "This method is not possible here."),
    (421, "The bench was called by a name that is not its own."),
    (408, "The body did not come in time."),
    (413, "The body is too long."),
    (429, "Too many requests at once."),
    (503, "The bench ends, or is busy."),
];

fn made() -> Value {
    let mut generator = generator(SchemaSettings::draft2020_12().for_serialize());
    // What is sent to us may leave out what has a default; what we send has every field.
    let mut taking = generator_of_bodies();
    let problem = Problem::json_schema(&mut generator);
    let event = route::event_schema(&mut generator);
    let mut paths = Map::new();
    for route in route::api() {
        let act = operation(&route, &mut generator, &mut taking);
        let path = paths
            .entry(route.path)
            .or_insert_with(|| Value::Object(Map::new()));
        path[route.method.as_str().to_ascii_lowercase()] = act;
    }
    let mut schemas = generator.take_definitions(true);
    schemas.extend(taking.take_definitions(true));
    schemas.insert("Problem".into(), problem.into());
    schemas.insert("StreamedEvent".into(), event.into());
    json!({
        "openapi": "3.1.1",
        "info": {
            "title": "feelgauge bench",
            "version": env!("CARGO_PKG_VERSION"),
            "summary": "What a bench of probes knows, and orders to it.",
            "license": { "name": "MIT OR Apache-2.0", "identifier": "MIT OR Apache-2.0" },
        },
        "jsonSchemaDialect": "https://json-schema.org/draft/2020-12/schema",
        "paths": paths,
        "components": { "schemas": schemas },
    })
}

fn generator(mut settings: SchemaSettings) -> SchemaGenerator {
    settings.definitions_path = "/components/schemas".into();
    settings.meta_schema = None;
    settings.into_generator()
}

/// For types that are only ever sent to us.
fn generator_of_bodies() -> SchemaGenerator {
    generator(SchemaSettings::draft2020_12().for_deserialize())
}

fn operation(
    route: &Route,
    generator: &mut SchemaGenerator,
    taking: &mut SchemaGenerator,
) -> Value {
    let mut operation = json!({
        "operationId": id(route),
        "summary": route.summary,
        "parameters": parameters(route, generator),
        "responses": responses(route, generator),
    });
    if let Some(body) = route.body {
        operation["requestBody"] = json!({
            "required": true,
            "content": content(body, taking),
        });
    }
    operation
}

/// Media types of a body with their schemas.
fn content(body: Taken, taking: &mut SchemaGenerator) -> Value {
    match body {
        Taken::Json(schema) => json!({ "application/json": { "schema": schema(taking) } }),
        Taken::Photograph => {
            let bytes = json!({ "schema": { "type": "string", "format": "binary" } });
            let kinds = [Kind::Jpeg, Kind::Png, Kind::WebP];
            let content = kinds.map(|kind| (kind.media_type().to_owned(), bytes.clone()));
            Value::Object(content.into_iter().collect())
        }
    }
}

/// `get_captures_name_plot_svg`.
fn id(route: &Route) -> String {
    let path = route.path.trim_start_matches("/api/1/");
    let mut id = route.method.as_str().to_ascii_lowercase();
    for word in path.split(|c: char| !c.is_ascii_alphanumeric()) {
        if !word.is_empty() {
            id.push('_');
            id.push_str(word);
        }
    }
    id
}

fn parameters(route: &Route, generator: &mut SchemaGenerator) -> Vec<Value> {
    let in_path = route.path.split('/').filter_map(|part| {
        let name = part.strip_prefix('{')?.strip_suffix('}')?;
        Some(json!({
            "name": name,
            "in": "path",
            "required": true,
            "description": "Name of a capture or a photograph, as its list has it.",
            "schema": { "type": "string", "minLength": 1 },
        }))
    });
    let in_path: Vec<Value> = in_path.collect();
    let in_query = route.query.iter().map(|(name, is_required, what, schema)| {
        json!({
            "name": name,
            "in": "query",
            "required": is_required,
            "description": what,
            "schema": schema(generator),
        })
    });
    in_path.into_iter().chain(in_query).collect()
}

fn responses(route: &Route, generator: &mut SchemaGenerator) -> Value {
    let (media_type, schema) = route.answer;
    let schema = schema.map_or_else(|| json!({ "type": "string" }), |s| s(generator).into());
    let mut responses = Map::new();
    responses.insert(
        "200".into(),
        json!({
            "description": "Done.",
            "content": { media_type: { "schema": schema } },
        }),
    );
    let own = route
        .problems
        .iter()
        .map(|(status, what)| (status.as_u16(), *what));
    let taking = if route.method == Method::POST {
        &[
            (415, "The body has another media type than this takes."),
            (422, "The body is not what this takes."),
        ][..]
    } else {
        &[]
    };
    for (status, what) in own.chain(ANYWHERE).chain(taking.iter().copied()) {
        responses.entry(status.to_string()).or_insert_with(|| {
            json!({
                "description": what,
                "content": { "application/json": { "schema": { "$ref": "#/components/schemas/Problem" } } },
            })
        });
    }
    Value::Object(responses)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_reference_of_the_document_leads_somewhere_and_ids_are_unique() {
        fn refs<'a>(value: &'a Value, found: &mut Vec<&'a str>) {
            match value {
                Value::Object(map) => {
                    if let Some(Value::String(to)) = map.get("$ref") {
                        found.push(to);
                    }
                    map.values().for_each(|v| refs(v, found));
                }
                Value::Array(list) => list.iter().for_each(|v| refs(v, found)),
                _ => {}
            }
        }
        let document = made();
        let mut found = Vec::new();
        refs(&document, &mut found);
        assert!(found.len() > 50, "{}", found.len());
        for to in found {
            let pointer = to.strip_prefix('#').unwrap();
            assert!(document.pointer(pointer).is_some(), "{to}");
        }
        let routes = route::api();
        let mut ids: Vec<String> = routes.iter().map(id).collect();
        ids.sort();
        let all = ids.len();
        ids.dedup();
        assert_eq!(ids.len(), all);
        assert_eq!(document["paths"].as_object().unwrap().len(), all);
    }
}
