//! What every bench needs: the best of several runs, a reference in Python on the same samples, one table, and the
//! growth of the time with the length of the record.
//!
//! `cargo bench` runs all and prints their tables; `cargo bench --bench roll` one of them. After `--`: `--quick` runs
//! everything a few times only (it works, its numbers mean little), `--out benches/README.md` also writes the table
//! into that file, in place of the section of the same name. References need `FEELGAUGE_PYTHON` (default `python3`)
//! with the packages of `tests/reference/requirements.txt`; without them their columns stay empty and one line says so.

#![allow(dead_code)] // no bench needs all of it

use std::{
    collections::BTreeMap,
    fmt::Write as _,
    fs,
    path::{Path, PathBuf},
    process::Command,
    time::Instant,
};

/// How this bench was called.
#[derive(Clone, Debug)]
pub struct Run {
    /// A few repetitions only.
    pub quick: bool,
    /// File that keeps the tables.
    pub out: Option<PathBuf>,
    dir: PathBuf,
}

impl Run {
    /// From the command line; what cargo itself passes (`--bench`) and names of filters are left alone.
    pub fn from_args() -> Self {
        let mut run = Self {
            quick: false,
            out: None,
            dir: std::env::temp_dir().join(format!("feelgauge-bench-{}", std::process::id())),
        };
        let mut args = std::env::args().skip(1);
        while let Some(arg) = args.next() {
            match arg.as_str() {
                "--quick" => run.quick = true,
                "--out" => run.out = Some(args.next().expect("--out FILE").into()),
                _ => {}
            }
        }
        fs::create_dir_all(&run.dir).expect("a folder for the samples that the references read");
        run
    }

    /// Seconds of the best of several calls: at least 5, and until two seconds are over (quick: 2 calls). The best
    /// is what the machine can do; everything above it is other people's work.
    pub fn best_s<T>(&self, mut call: impl FnMut() -> T) -> f64 {
        let (least, budget_s) = if self.quick { (2, 0.0) } else { (5, 2.0) };
        let mut best = f64::INFINITY;
        let (mut calls, mut spent) = (0, 0.0);
        while calls < least || spent < budget_s {
            let took = seconds(&mut call);
            best = best.min(took);
            spent += took;
            calls += 1;
        }
        best
    }

    /// [`Run::best_s`] of what works on a fresh input every time; making the input is not timed.
    pub fn best_of_s<I, T>(
        &self,
        mut input: impl FnMut() -> I,
        mut call: impl FnMut(I) -> T,
    ) -> f64 {
        let (least, budget_s) = if self.quick { (2, 0.0) } else { (5, 2.0) };
        let mut best = f64::INFINITY;
        let (mut calls, mut spent) = (0, 0.0);
        while calls < least || spent < budget_s {
            let fresh = input();
            let took = seconds(|| call(fresh));
            best = best.min(took);
            spent += took;
            calls += 1;
        }
        best
    }

    /// Writes numbers for a reference to read: little-endian 64-bit floats, `numpy.fromfile(path)`.
    pub fn samples(&self, name: &str, values: &[f64]) -> PathBuf {
        let bytes: Vec<u8> = values.iter().flat_map(|v| v.to_le_bytes()).collect();
        let path = self.dir.join(name);
        fs::write(&path, bytes).expect("samples for the reference are written");
        path
    }

    /// Runs `benches/reference/<script>` with the arguments (and `--quick` where asked for) and reads its lines
    /// `name value`: seconds of the computation alone, best of several, measured by the script itself. `None`, with
    /// the reason on standard error, where Python or a package is missing.
    ///
    /// # Panics
    /// When the script fails for another reason.
    pub fn python(&self, script: &str, arguments: &[&Path]) -> Option<BTreeMap<String, f64>> {
        let python = std::env::var("FEELGAUGE_PYTHON").unwrap_or_else(|_| "python3".into());
        let place = Path::new(env!("CARGO_MANIFEST_DIR")).join("benches/reference");
        let mut command = Command::new(&python);
        command.arg(place.join(script)).args(arguments);
        // one thread on both sides
        for name in ["OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"] {
            command.env(name, "1");
        }
        if self.quick {
            command.arg("--quick");
        }
        let why = match command.output() {
            Ok(output) if output.status.success() => {
                let text = String::from_utf8_lossy(&output.stdout).into_owned();
                return Some(text.lines().filter_map(named).collect());
            }
            Ok(output) => {
                let text = String::from_utf8_lossy(&output.stderr).into_owned();
                assert!(text.contains("No module named"), "{script}: {text}");
                text.lines().last().unwrap_or_default().to_owned()
            }
            Err(error) => error.to_string(),
        };
        eprintln!("SKIPPED: {script}: {why}");
        None
    }

    /// Prints a table, and writes it where `--out` says.
    pub fn show(&self, table: &Table) {
        self.show_section(&table.title, &table.text());
    }

    /// The same for a section that is no table of times; `text` begins with its heading.
    pub fn show_section(&self, title: &str, text: &str) {
        println!("{text}");
        if let Some(path) = &self.out {
            let whole = fs::read_to_string(path).unwrap_or_default();
            fs::write(path, with_section(&whole, title, text)).expect("--out is written");
        }
    }

    /// A folder of this run for what it writes.
    pub fn dir(&self) -> &Path {
        &self.dir
    }
}

impl Drop for Run {
    fn drop(&mut self) {
        // The folder is ours and lies where temporary things lie; what is left of it does no harm.
        let _ = fs::remove_dir_all(&self.dir);
    }
}

#[allow(clippy::disallowed_methods)] // a bench is a clock
fn seconds<T>(call: impl FnOnce() -> T) -> f64 {
    let start = Instant::now();
    std::hint::black_box(call());
    start.elapsed().as_secs_f64()
}

fn named(line: &str) -> Option<(String, f64)> {
    let (name, value) = line.rsplit_once(' ')?;
    Some((name.to_owned(), value.parse().ok()?))
}

/// Puts `section` (which begins with its own heading) in place of the one of the same heading, or at the end.
fn with_section(whole: &str, title: &str, section: &str) -> String {
    let heading = format!("## {title}\n");
    let Some(from) = whole.find(&heading) else {
        return format!("{}\n\n{section}", whole.trim_end());
    };
    let rest = &whole[from + heading.len()..];
    let after = rest.find("\n## ").map_or("", |at| &rest[at + 1..]);
    let end = if after.is_empty() { "" } else { "\n" };
    format!("{}{}\n{end}{after}", &whole[..from], section.trim_end())
}

/// A reference: its name, its seconds, and the ratio that is asked for.
pub type Reference<'a> = (&'a str, Option<f64>, Option<f64>);

/// One bench's table.
#[derive(Clone, Debug)]
pub struct Table {
    title: String,
    rows: String,
    notes: String,
}

impl Table {
    /// An empty table.
    pub fn new(title: &str) -> Self {
        Self {
            title: title.into(),
            rows: String::new(),
            notes: String::new(),
        }
    }

    /// A measured time without reference; `samples` is what one call works on.
    pub fn time(&mut self, what: &str, took_s: f64, samples: usize) {
        self.row(what, took_s, samples, ["", "", "", ""]);
    }

    /// A measured time that must stay below a bound, s.
    pub fn below(&mut self, what: &str, took_s: f64, samples: usize, bound_s: f64) {
        let asked = format!("< {}", show_s(bound_s));
        let kept = if took_s < bound_s {
            asked
        } else {
            format!("{asked}: MISSED")
        };
        self.row(what, took_s, samples, ["", "", "", &kept]);
    }

    /// A measured time beside a reference's on the same samples.
    pub fn against(&mut self, what: &str, took_s: f64, samples: usize, reference: Reference) {
        let (name, its_s, asked) = reference;
        let ratio = its_s.map(|its| its / took_s);
        let wanted = match (asked, ratio) {
            (None, _) => String::new(),
            (Some(asked), Some(ratio)) if ratio < asked => format!(">= {asked} x: MISSED"),
            (Some(asked), _) => format!(">= {asked} x"),
        };
        let its = its_s.map_or_else(|| "not installed".into(), show_s);
        let ratio = ratio.map_or_else(String::new, |r| format!("{r:.1} x"));
        self.row(what, took_s, samples, [name, &its, &ratio, &wanted]);
    }

    /// Growth of the time with the number of samples: exponent of the fitted power law, beside the one that n log n
    /// would have over the same sizes. Points are (samples, seconds).
    pub fn growth(&mut self, what: &str, points: &[(usize, f64)]) {
        let points: Vec<(f64, f64)> = points.iter().map(|(n, s)| (*n as f64, *s)).collect();
        let log = |(n, _): &(f64, f64)| (*n, n * libm::log(*n));
        let bound = exponent(&points.iter().map(log).collect::<Vec<_>>());
        let grown = exponent(&points);
        let sizes: Vec<String> = points
            .iter()
            .map(|(n, s)| format!("{n} in {}", show_s(*s)))
            .collect();
        let mark = if grown <= bound { "" } else { " MISSED" };
        writeln!(
            self.notes,
            "- growth of {what}: n^{grown:.2} ({}); n log n would be n^{bound:.2}{mark}",
            sizes.join(", ")
        )
        .expect("a string takes text");
    }

    /// A sentence below the table.
    pub fn note(&mut self, text: &str) {
        writeln!(self.notes, "- {text}").expect("a string takes text");
    }

    fn row(&mut self, what: &str, took_s: f64, samples: usize, rest: [&str; 4]) {
        let each = took_s * 1e9 / samples.max(1) as f64;
        writeln!(
            self.rows,
            "| {what} | {} | {each:.1} | {} |",
            show_s(took_s),
            rest.join(" | ")
        )
        .expect("a string takes text");
    }

    fn text(&self) -> String {
        format!(
            "## {}\n\n| what | time | ns a sample | reference | its time | ratio | asked |\n|---|---|---|---|---|---|---|\n{}\n{}",
            self.title, self.rows, self.notes
        )
    }
}

/// Least squares exponent of a power law through (size, time).
fn exponent(points: &[(f64, f64)]) -> f64 {
    let logs: Vec<(f64, f64)> = points
        .iter()
        .map(|(n, s)| (libm::log(*n), libm::log(*s)))
        .collect();
    let count = logs.len() as f64;
    let mean = |pick: fn(&(f64, f64)) -> f64| logs.iter().map(pick).sum::<f64>() / count;
    let (x0, y0) = (mean(|p| p.0), mean(|p| p.1));
    let sxx: f64 = logs.iter().map(|(x, _)| (x - x0) * (x - x0)).sum();
    let sxy: f64 = logs.iter().map(|(x, y)| (x - x0) * (y - y0)).sum();
    sxy / sxx
}

/// Seconds with a unit that fits.
pub fn show_s(s: f64) -> String {
    match s {
        _ if s < 1e-6 => format!("{:.0} ns", s * 1e9),
        _ if s < 1e-3 => format!("{:.1} us", s * 1e6),
        _ if s < 1.0 => format!("{:.2} ms", s * 1e3),
        _ => format!("{s:.2} s"),
    }
}
