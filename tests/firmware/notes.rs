//! The numbers and example lines of the notes.

use std::path::Path;

use feelgauge::wire;

use crate::sim;

const STROKES_PER_S: f64 = 25.0;
/// Grid points an interval of the converter.
const FINE: u32 = 2000;

fn note(name: &str) -> String {
    std::fs::read_to_string(
        Path::new(env!("CARGO_MANIFEST_DIR"))
            .join("firmware-notes")
            .join(name),
    )
    .unwrap()
}

/// Humps of height 1 on a circle of whole strokes, averaged `order` times over one interval of the converter.
fn filtered(rate: u32, order: u32, share: f64) -> Vec<f64> {
    let step = 1.0 / (f64::from(rate) * f64::from(FINE));
    let width = share / STROKES_PER_S;
    // five strokes are a whole number of intervals at every rate of the table
    let n = rate * FINE / 5;
    let mut curve: Vec<f64> = (0..n)
        .map(|i| {
            let t = (f64::from(i) * step) % (1.0 / STROKES_PER_S);
            if t < width {
                libm::sin(std::f64::consts::PI * t / width)
            } else {
                0.0
            }
        })
        .collect();
    let fine = usize::try_from(FINE).unwrap();
    for _ in 0..order {
        let twice: Vec<f64> = curve.iter().chain(&curve[..fine]).copied().collect();
        let mut sum: f64 = twice[..fine].iter().sum();
        for i in 0..curve.len() {
            curve[i] = sum / f64::from(FINE);
            sum += twice[i + fine] - twice[i];
        }
    }
    curve
}

/// (worst, average) share of a hump's height that the highest reading misses, over the offset of the readings.
fn under_read(rate: u32, order: u32, share: f64) -> (f64, f64) {
    let curve = filtered(rate, order, share);
    let fine = usize::try_from(FINE).unwrap();
    let stroke = curve.len() / 5;
    // one stroke with its averaged hump in the middle
    let top = (0..stroke)
        .max_by(|&a, &b| curve[a].total_cmp(&curve[b]))
        .unwrap();
    let (from, to) = (top + stroke / 2, top + stroke / 2 + stroke);
    let missed: Vec<f64> = (0..fine)
        .map(|offset| {
            let readings = (from + offset..to).step_by(fine);
            1.0 - readings.map(|i| curve[i % curve.len()]).fold(0.0, f64::max)
        })
        .collect();
    let worst = missed.iter().copied().fold(0.0, f64::max);
    (worst, missed.iter().sum::<f64>() / f64::from(FINE))
}

#[test]
fn the_table_of_lost_peaks_is_computed() {
    let text = note("converters.md");
    let rows: Vec<Vec<f64>> = text
        .lines()
        .filter(|line| line.starts_with("| ") && line.contains('%'))
        .map(|line| {
            line.split('|')
                .map(|cell| cell.trim().trim_end_matches(" %"))
                .filter(|cell| !cell.is_empty())
                .map(|cell| cell.parse().unwrap())
                .collect()
        })
        .collect();
    assert_eq!(rows.len(), 12);
    for row in rows {
        let [rate, order] = [row[0], row[1]].map(|x| format!("{x:.0}").parse::<u32>().unwrap());
        let (worst_half, average_half) = under_read(rate, order, 0.5);
        let (worst_narrow, average_narrow) = under_read(rate, order, 0.3);
        for (stated, computed) in
            row[2..]
                .iter()
                .zip([worst_half, average_half, worst_narrow, average_narrow])
        {
            // rounded to a tenth, computed on a grid of 1/2000 of an interval
            assert!(
                (stated - 100.0 * computed).abs() < 0.15,
                "{row:?}: {stated} stated, {:.2} computed",
                100.0 * computed
            );
        }
    }
}

#[test]
fn point_readings_lose_what_the_formula_says() {
    for rate in [80, 320, 1280] {
        let x = std::f64::consts::PI / (2.0 * f64::from(rate) * 0.5 / STROKES_PER_S);
        let (worst, average) = under_read(rate, 0, 0.5);
        assert!(
            (worst - (1.0 - libm::cos(x))).abs() < 2e-3,
            "{rate}: {worst}"
        );
        assert!(
            (average - (1.0 - libm::sin(x) / x)).abs() < 2e-3,
            "{rate}: {average}"
        );
    }
}

#[test]
fn example_lines_are_lines() {
    let text = note("README.md");
    let block = text
        .split("```wire\n")
        .nth(1)
        .and_then(|rest| rest.split("```").next())
        .unwrap();
    assert_eq!(block.lines().count(), 4);
    for line in block.lines() {
        wire::parse(line.as_bytes()).unwrap_or_else(|fault| panic!("{line}: {fault:?}"));
    }
}

#[test]
fn pictures_exist_and_are_labelled() {
    for page in ["wiring-pressure.md", "wiring-force.md", "wiring-hall.md"] {
        let text = note(page);
        let picture = text
            .split("](")
            .nth(1)
            .and_then(|rest| rest.split(')').next())
            .unwrap();
        let svg = note(picture);
        assert!(
            svg.contains("<title") && svg.contains("<desc") && svg.trim_end().ends_with("</svg>"),
            "{picture}"
        );
    }
}

/// The README's sizes are those of the compiler that it names, serial number of four characters; others may differ a little.
#[test]
fn firmware_is_as_small_as_the_readme_says() {
    let Some(folder) = sim::tools() else { return };
    let text = note("README.md");
    for kind in ["pressure", "force", "hall"] {
        let row = text
            .lines()
            .rfind(|line| line.starts_with(&format!("| {kind} | ")))
            .unwrap();
        let stated: Vec<f64> = row
            .split('|')
            .filter_map(|cell| cell.trim().parse().ok())
            .collect();
        let elf = folder.join(kind).with_extension("elf");
        let out = std::process::Command::new("avr-size")
            .arg(elf)
            .output()
            .unwrap()
            .stdout;
        let out = String::from_utf8(out).unwrap();
        let [text, data, bss]: [f64; 3] = std::array::from_fn(|i| {
            out.lines()
                .nth(1)
                .unwrap()
                .split_whitespace()
                .nth(i)
                .unwrap()
                .parse()
                .unwrap()
        });
        let found = [text + data, data + bss];
        for (stated, found) in stated.iter().zip(found) {
            assert!(
                (found / stated - 1.0).abs() < 0.05,
                "{kind}: {stated} stated, {found} found"
            );
        }
        assert!(found[1] + 200.0 < 2048.0, "{kind}: no room for the stack");
    }
}
