//! Reads `vehicle.toml`. The first fault ends the reading and names its place.

use std::collections::BTreeMap;

use toml::de::DeTable;

use super::table::{At, Fault, Table, nearest, shown};
use super::{
    Bearing, Diff, Joint, Limits, Mesh, Sensor, Setup, SetupTest, Shaft, Vehicle, VehicleError,
};
use crate::units::{self, Kind};

/// Longest file that is read, bytes.
pub const MAX_TEXT: usize = 1 << 20;
/// The only format there is.
const FORMAT: u32 = 1;
/// Most teeth of a gear: far above any in a model car.
const MAX_TEETH: u32 = 1000;
/// Most magnets on a sensed shaft.
const MAX_MAGNETS: u32 = 64;
/// Largest relative speed in a setup: beyond it the least squares lose digits.
const MAX_SPEED: f64 = 1e6;

/// Parses the text of a vehicle file.
pub(super) fn parse(text: &str) -> Result<Vehicle, VehicleError> {
    read(text).map_err(|fault| place(text, fault))
}

fn read(text: &str) -> Result<Vehicle, Fault> {
    if text.len() > MAX_TEXT {
        return Err(Fault::new(
            MAX_TEXT,
            format!(
                "the file is longer than {MAX_TEXT} bytes; a vehicle file needs a few thousand"
            ),
        ));
    }
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let root = DeTable::parse(text).map_err(|error| {
        let at = error.span().map_or(0, |span| span.start);
        Fault::new(at, format!("not TOML: {}", error.message()))
    })?;
    let file = Table::new(root.get_ref(), &(0..0), "the file");
    file.only(&[
        "format",
        "name",
        "mass_kg",
        "tank_cm3",
        "hose_cm3",
        "wheel_diameter_mm",
        "starter",
        "shaft",
        "mesh",
        "diff",
        "bearing",
        "joint",
        "sensor",
        "setup",
        "limits",
    ])?;
    check_format(&file)?;
    let mut reader = Reader::default();
    reader.shafts(&file)?;
    Ok(Vehicle {
        name: file.need("name", file.text("name")?)?.value.to_owned(),
        mass_kg: file.need("mass_kg", file.positive("mass_kg")?)?,
        tank_m3: file.need("tank_cm3", file.positive("tank_cm3")?)? / 1e6,
        hose_m3: hose_cm3(&file)? / 1e6,
        wheel_diameter_m: file.positive("wheel_diameter_mm")?.map(|d| d / 1e3),
        pulley_diameter_m: pulley_diameter_m(&file)?,
        meshes: reader.meshes(&file)?,
        diffs: reader.diffs(&file)?,
        bearings: reader.bearings(&file)?,
        joints: reader.joints(&file)?,
        sensors: reader.sensors(&file)?,
        setups: reader.setups(&file)?,
        limits: limits(&file)?,
        shafts: reader.shafts,
    })
}

fn check_format(file: &Table) -> Result<(), Fault> {
    let format = file.need("format", file.number("format")?)?;
    if format.value.to_bits() == f64::from(FORMAT).to_bits() {
        return Ok(());
    }
    Err(Fault::new(
        format.at,
        format!(
            "format is {}; this version reads format = {FORMAT}",
            format.value
        ),
    ))
}

/// 0 where nothing is said about the hose.
fn hose_cm3(file: &Table) -> Result<f64, Fault> {
    match file.number("hose_cm3")? {
        None => Ok(0.0),
        Some(At { value, .. }) if value >= 0.0 => Ok(value),
        Some(At { at, value }) => Err(Fault::new(
            at,
            format!("'hose_cm3' is {value}; it must be 0 or above"),
        )),
    }
}

fn pulley_diameter_m(file: &Table) -> Result<Option<f64>, Fault> {
    let Some(starter) = file.table("starter")? else {
        return Ok(None);
    };
    let key = "pulley_diameter_mm";
    starter.only(&[key])?;
    let diameter_mm = starter.need(key, starter.positive(key)?)?;
    Ok(Some(diameter_mm / 1e3))
}

fn limits(file: &Table) -> Result<Limits, Fault> {
    let Some(table) = file.table("limits")? else {
        return Ok(Limits::default());
    };
    table.only(&[
        "leak",
        "lift_ratio",
        "snag_false_alarm",
        "snag_depth",
        "guard_force_n",
        "guard_held_n2s",
    ])?;
    let leak_pa_m3_s = table
        .text("leak")?
        .map(|text| {
            units::parse_positive(Kind::Leak, text.value)
                .map_err(|error| Fault::new(text.at, error.to_string()))
        })
        .transpose()?;
    Ok(Limits {
        leak_pa_m3_s,
        lift_ratio: table.positive("lift_ratio")?,
        snag_false_alarm: table.within("snag_false_alarm", 0.0, 1.0)?,
        snag_depth: table.positive("snag_depth")?,
        guard_force_n: table.positive("guard_force_n")?,
        guard_held_n2s: table.positive("guard_held_n2s")?,
    })
}

/// Names taken so far, and the shafts that the other tables speak of.
#[derive(Default)]
struct Reader {
    shafts: Vec<Shaft>,
    taken: BTreeMap<String, String>,
}

impl Reader {
    /// The table's name: of the right letters, and nowhere else in the file. The title becomes `[[mesh]] final_f`.
    fn name(&mut self, table: &mut Table) -> Result<String, Fault> {
        let name = table.need("name", table.text("name")?)?;
        check_name(&name)?;
        if let Some(other) = self.taken.get(name.value) {
            return Err(Fault::new(
                name.at,
                format!(
                    "the name '{}' is taken by a {other}; every name stands once in the file",
                    name.value
                ),
            ));
        }
        self.taken.insert(name.value.into(), table.title.clone());
        table.title = format!("{} {}", table.title, name.value);
        Ok(name.value.into())
    }

    fn shafts(&mut self, file: &Table) -> Result<(), Fault> {
        for mut table in file.tables("shaft")? {
            table.only(&["name", "label"])?;
            let name = self.name(&mut table)?;
            let label = label(&table)?;
            self.shafts.push(Shaft { name, label });
        }
        Ok(())
    }

    fn find_shaft(&self, name: &At<&str>) -> Result<usize, Fault> {
        if let Some(i) = self.shafts.iter().position(|s| s.name == name.value) {
            return Ok(i);
        }
        let advice = nearest(name.value, self.shafts.iter().map(|s| s.name.as_str())).map_or_else(
            || "the file has no [[shaft]]".to_owned(),
            |known| format!("nearest: '{known}'; every shaft needs a [[shaft]] entry"),
        );
        Err(Fault::new(
            name.at,
            format!("no shaft is called '{}'; {advice}", shown(name.value)),
        ))
    }

    /// Index of the shaft that a key names.
    fn shaft(&self, table: &Table, key: &str) -> Result<usize, Fault> {
        self.find_shaft(&table.need(key, table.text(key)?)?)
    }

    fn meshes(&mut self, file: &Table) -> Result<Vec<Mesh>, Fault> {
        let mut meshes = Vec::new();
        for mut table in file.tables("mesh")? {
            table.only(&["name", "label", "a", "teeth_a", "b", "teeth_b"])?;
            let mesh = Mesh {
                name: self.name(&mut table)?,
                label: label(&table)?,
                a: self.shaft(&table, "a")?,
                teeth_a: teeth(&table, "teeth_a")?,
                b: self.shaft(&table, "b")?,
                teeth_b: teeth(&table, "teeth_b")?,
            };
            distinct(&table, &[mesh.a, mesh.b])?;
            meshes.push(mesh);
        }
        Ok(meshes)
    }

    fn diffs(&mut self, file: &Table) -> Result<Vec<Diff>, Fault> {
        let mut diffs = Vec::new();
        for mut table in file.tables("diff")? {
            table.only(&[
                "name",
                "label",
                "input",
                "out_a",
                "out_b",
                "side_teeth",
                "planet_teeth",
            ])?;
            let diff = Diff {
                name: self.name(&mut table)?,
                label: label(&table)?,
                input: self.shaft(&table, "input")?,
                out_a: self.shaft(&table, "out_a")?,
                out_b: self.shaft(&table, "out_b")?,
                side_teeth: teeth(&table, "side_teeth")?,
                planet_teeth: teeth(&table, "planet_teeth")?,
            };
            distinct(&table, &[diff.input, diff.out_a, diff.out_b])?;
            diffs.push(diff);
        }
        Ok(diffs)
    }

    fn bearings(&mut self, file: &Table) -> Result<Vec<Bearing>, Fault> {
        let mut bearings = Vec::new();
        for mut table in file.tables("bearing")? {
            table.only(&[
                "name",
                "label",
                "shaft",
                "balls",
                "ball_mm",
                "pitch_mm",
                "contact_deg",
                "turns",
            ])?;
            let name = self.name(&mut table)?;
            let ball_mm = table.need("ball_mm", table.positive("ball_mm")?)?;
            let pitch_mm = table.need("pitch_mm", table.positive("pitch_mm")?)?;
            if ball_mm >= pitch_mm {
                return Err(Fault::new(
                    table.at,
                    format!(
                        "{}: balls of {ball_mm} mm do not fit on a pitch circle of {pitch_mm} mm; \
                         'pitch_mm' is the diameter through the centres of the balls",
                        table.title
                    ),
                ));
            }
            bearings.push(Bearing {
                name,
                label: label(&table)?,
                shaft: self.shaft(&table, "shaft")?,
                balls: table.need("balls", table.count("balls", 1..101)?)?,
                ball_m: ball_mm / 1e3,
                pitch_m: pitch_mm / 1e3,
                contact_rad: contact_rad(&table)?,
                outer_turns: one_of(&table, "turns", ["inner", "outer"])? == Some(1),
            });
        }
        Ok(bearings)
    }

    fn joints(&mut self, file: &Table) -> Result<Vec<Joint>, Fault> {
        let mut joints = Vec::new();
        for mut table in file.tables("joint")? {
            table.only(&["name", "label", "shaft"])?;
            joints.push(Joint {
                name: self.name(&mut table)?,
                label: label(&table)?,
                shaft: self.shaft(&table, "shaft")?,
            });
        }
        Ok(joints)
    }

    fn sensors(&self, file: &Table) -> Result<Vec<Sensor>, Fault> {
        let mut sensors: Vec<Sensor> = Vec::new();
        for table in file.tables("sensor")? {
            table.only(&["index", "shaft", "magnets"])?;
            let index = table.need("index", table.count("index", 0..u32::MAX)?)?;
            if sensors.iter().any(|s| s.index == index) {
                return Err(Fault::new(
                    table.at,
                    format!("two [[sensor]] entries have index {index}; give each its own"),
                ));
            }
            sensors.push(Sensor {
                index,
                shaft: self.shaft(&table, "shaft")?,
                magnets: table.need("magnets", table.count("magnets", 1..MAX_MAGNETS + 1)?)?,
            });
        }
        Ok(sensors)
    }

    fn setups(&mut self, file: &Table) -> Result<Vec<Setup>, Fault> {
        let mut setups = Vec::new();
        for mut table in file.tables("setup")? {
            let test = one_of(&table, "test", ["roll", "leak", "pull"])?.unwrap_or(0);
            table.only(match test {
                0 => &["name", "label", "test", "rolling", "speeds"][..],
                1 => &["name", "label", "test", "parts"],
                _ => &["name", "label", "test", "plug", "warm"],
            })?;
            let name = self.name(&mut table)?;
            setups.push(Setup {
                label: label(&table)?,
                test: match test {
                    0 => self.roll_setup(&table)?,
                    1 => leak_setup(&table)?,
                    _ => pull_setup(&table)?,
                },
                name,
            });
        }
        Ok(setups)
    }

    fn roll_setup(&self, setup: &Table) -> Result<SetupTest, Fault> {
        let rolling = setup.need("rolling", setup.flag("rolling")?)?;
        let table = setup.need("speeds", setup.table("speeds")?)?;
        let mut speeds = Vec::new();
        for (name, speed) in table.numbers()? {
            if speed.abs() > MAX_SPEED {
                return Err(Fault::new(
                    name.at,
                    format!(
                        "the relative speed of '{}' is {speed}; write at most {MAX_SPEED} (a held wheel 0, a spun one 1)",
                        name.value
                    ),
                ));
            }
            speeds.push((self.find_shaft(&name)?, speed));
        }
        if speeds.is_empty() {
            return Err(Fault::new(
                table.at,
                format!(
                    "'speeds' of {} names no shaft; write speeds = {{ wheel = 1 }}",
                    setup.title
                ),
            ));
        }
        Ok(SetupTest::Roll { rolling, speeds })
    }
}

fn leak_setup(table: &Table) -> Result<SetupTest, Fault> {
    let mut parts: Vec<String> = Vec::new();
    for part in table.texts("parts")? {
        check_name(&part)?;
        if parts.iter().any(|p| p == part.value) {
            return Err(Fault::new(
                part.at,
                format!("'{}' stands twice in 'parts'; name it once", part.value),
            ));
        }
        parts.push(part.value.into());
    }
    match table.place("parts") {
        Some(at) if parts.is_empty() => Err(Fault::new(
            at,
            format!(
                "'parts' of {} is empty; name what can leak, such as [\"lid\", \"line\", \"body\"]",
                table.title
            ),
        )),
        Some(_) => Ok(SetupTest::Leak { parts }),
        None => table.need("parts", None),
    }
}

fn pull_setup(table: &Table) -> Result<SetupTest, Fault> {
    let plug = table.need("plug", one_of(table, "plug", ["in", "out"])?)?;
    Ok(SetupTest::Pull {
        plug_in: plug == 0,
        warm: table.flag("warm")?,
    })
}

fn contact_rad(table: &Table) -> Result<f64, Fault> {
    match table.number("contact_deg")? {
        None => Ok(0.0),
        Some(At { value, .. }) if (0.0..90.0).contains(&value) => Ok(value.to_radians()),
        Some(At { at, value }) => Err(Fault::new(
            at,
            format!(
                "'contact_deg' of {} is {value}; it must be 0 to below 90",
                table.title
            ),
        )),
    }
}

/// Position in `words` of the text under `key`.
fn one_of<const N: usize>(
    table: &Table,
    key: &str,
    words: [&str; N],
) -> Result<Option<usize>, Fault> {
    let Some(text) = table.text(key)? else {
        return Ok(None);
    };
    words
        .iter()
        .position(|word| *word == text.value)
        .map(Some)
        .ok_or_else(|| {
            Fault::new(
                text.at,
                format!(
                    "'{key}' of {} is '{}'; it must be one of: {}",
                    table.title,
                    shown(text.value),
                    words.join(", ")
                ),
            )
        })
}

fn label(table: &Table) -> Result<Option<String>, Fault> {
    Ok(table.text("label")?.map(|text| text.value.to_owned()))
}

fn teeth(table: &Table, key: &str) -> Result<u32, Fault> {
    table.need(key, table.count(key, 1..MAX_TEETH + 1)?)
}

/// The shafts of one gear must differ: a shaft does not mesh with itself.
fn distinct(table: &Table, shafts: &[usize]) -> Result<(), Fault> {
    let twice = (1..shafts.len()).any(|i| shafts[..i].contains(&shafts[i]));
    if !twice {
        return Ok(());
    }
    Err(Fault::new(
        table.at,
        format!(
            "{} names the same shaft twice; each of its shafts is another one",
            table.title
        ),
    ))
}

fn check_name(name: &At<&str>) -> Result<(), Fault> {
    let good = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_';
    if name.value.chars().all(good) {
        return Ok(());
    }
    Err(Fault::new(
        name.at,
        format!(
            "'{}' is no name; use the letters a-z, digits and _ only (words for people go into 'label')",
            shown(name.value)
        ),
    ))
}

/// Line and column, both from 1, of a byte of the text; the column counts characters.
fn place(text: &str, fault: Fault) -> VehicleError {
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let mut at = fault.at.min(text.len());
    while !text.is_char_boundary(at) {
        at -= 1;
    }
    let before = &text[..at];
    let line_start = before.rfind('\n').map_or(0, |i| i + 1);
    VehicleError {
        line: before.matches('\n').count() + 1,
        column: before[line_start..].chars().count() + 1,
        message: fault.message,
    }
}
