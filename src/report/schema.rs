//! JSON Schema (draft 2020-12) of every result.

use schemars::{JsonSchema, Schema, SchemaGenerator, generate::SchemaSettings};
use serde_json::{Value, json};

/// Schemas that are being collected.
#[derive(Debug)]
pub struct Catalogue {
    generator: SchemaGenerator,
    results: Vec<Schema>,
}

impl Default for Catalogue {
    fn default() -> Self {
        Self {
            generator: SchemaSettings::draft2020_12()
                .for_serialize()
                .into_generator(),
            results: Vec::new(),
        }
    }
}

impl Catalogue {
    /// Adds one kind of result; its definition has the name of its type.
    #[must_use]
    pub fn with<T: JsonSchema>(mut self) -> Self {
        self.results.push(self.generator.subschema_for::<T>());
        self
    }

    /// The whole document: a result is any of those added; each also stands under `$defs`.
    ///
    /// ```
    /// use feelgauge::{report::Catalogue, reading::Estimate};
    /// let schema = Catalogue::default().with::<Estimate>().finish();
    /// assert_eq!(schema["anyOf"][0]["$ref"], "#/$defs/Estimate");
    /// assert_eq!(schema["$defs"]["Estimate"]["required"][0], "value");
    /// ```
    pub fn finish(mut self) -> Value {
        let definitions = self.generator.take_definitions(true);
        json!({
            "$schema": "https://json-schema.org/draft/2020-12/schema",
            "title": format!("results of {}", crate::reading::SOFTWARE),
            "anyOf": self.results,
            "$defs": definitions,
        })
    }
}
