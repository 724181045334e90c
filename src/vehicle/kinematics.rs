//! Speeds of all shafts in a setup: one linear equation a mesh, a diff and a stated speed, solved by least squares
//! with Householder reflections and column pivoting (Businger and Golub 1965), which also gives the rank.

use std::fmt;

use super::{SetupTest, Vehicle};

/// Largest residual of an equation, in units of the largest stated speed, that is not a contradiction.
const CONTRADICTION: f64 = 1e-6;
/// A pivot below this share of the first is zero: rows are scaled to about 1, so rounding stays far below.
const RANK: f64 = 1e-9;
/// Rows of a contradiction that are listed; the rest adds nothing for a reader.
const ROWS_LISTED: usize = 4;

/// Why a gear train cannot be used for a roll capture.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum TrainError {
    /// The file has no roll setup.
    NoSetup,
    /// The file has several and none was named.
    WhichSetup {
        /// Names of the roll setups.
        known: Vec<String>,
    },
    /// No setup of that name.
    UnknownSetup {
        /// The name asked for.
        setup: String,
        /// Names of the roll setups.
        known: Vec<String>,
    },
    /// The setup belongs to another test.
    OtherTest {
        /// The name asked for.
        setup: String,
        /// Its test: `leak` or `pull`.
        test: &'static str,
        /// Names of the roll setups.
        known: Vec<String>,
    },
    /// The file has no sensor.
    NoSensor,
    /// No sensor of that index.
    UnknownSensor {
        /// The index asked for.
        index: u32,
        /// Indices of the file.
        known: Vec<u32>,
    },
    /// The stated speeds leave shafts undetermined.
    NotFixed {
        /// The setup.
        setup: String,
        /// Shafts whose speed is open.
        shafts: Vec<String>,
    },
    /// The stated speeds and the gears exclude each other.
    Contradicts {
        /// The setup.
        setup: String,
        /// Equations that fit worst: `mesh final_f`, `speed of wheel_fl`.
        rows: Vec<String>,
    },
    /// The sensed shaft does not turn.
    StandsStill {
        /// Index of the sensor.
        sensor: u32,
        /// The setup.
        setup: String,
    },
}

impl fmt::Display for TrainError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoSetup => write!(
                f,
                "the vehicle file has no roll setup; add a [[setup]] with rolling and speeds"
            ),
            Self::WhichSetup { known } => write!(
                f,
                "the vehicle file has several roll setups; name one: {}",
                known.join(", ")
            ),
            Self::UnknownSetup { setup, known } => write!(
                f,
                "no setup is called '{}'; roll setups of the vehicle file: {}",
                super::table::shown(setup),
                list(known)
            ),
            Self::OtherTest { setup, test, known } => write!(
                f,
                "setup {setup} is for the {test} test; roll setups of the vehicle file: {}",
                list(known)
            ),
            Self::NoSensor => write!(
                f,
                "the vehicle file has no sensor; add a [[sensor]] with index, shaft and magnets"
            ),
            Self::UnknownSensor { index, known } => {
                let known: Vec<String> = known.iter().map(u32::to_string).collect();
                write!(
                    f,
                    "no sensor has index {index}; sensors of the vehicle file: {}",
                    list(&known)
                )
            }
            Self::NotFixed { setup, shafts } => write!(
                f,
                "setup {setup} does not fix the speed of: {}; state more speeds",
                shafts.join(", ")
            ),
            Self::Contradicts { setup, rows } => write!(
                f,
                "setup {setup} contradicts the train: {} do not fit together; take a speed out or check the teeth",
                rows.join(", ")
            ),
            Self::StandsStill { sensor, setup } => write!(
                f,
                "sensor {sensor} stands still in setup {setup}; choose a setup in which its shaft turns, or another sensor"
            ),
        }
    }
}

impl std::error::Error for TrainError {}

fn list(words: &[String]) -> String {
    if words.is_empty() {
        "none".into()
    } else {
        words.join(", ")
    }
}

/// One equation: its name, the coefficients of the shafts' speeds, the right side.
struct Row {
    name: String,
    terms: Vec<(usize, f64)>,
    right: f64,
}

/// Speed of every shaft (index as in the file) in units of the largest stated speed.
pub(super) fn solve(vehicle: &Vehicle, setup: &RollSetup) -> Result<Vec<f64>, TrainError> {
    let rows = equations(vehicle, setup.stated);
    let mut qr = PivotedQr::new(&rows, vehicle.shafts.len());
    qr.factor();
    let open = qr.undetermined();
    if !open.is_empty() {
        return Err(TrainError::NotFixed {
            setup: setup.name.into(),
            shafts: open
                .into_iter()
                .map(|i| vehicle.shafts[i].name.clone())
                .collect(),
        });
    }
    let solution = qr.solution();
    let worst = worst_rows(&rows, &solution);
    if !worst.is_empty() {
        return Err(TrainError::Contradicts {
            setup: setup.name.into(),
            rows: worst,
        });
    }
    Ok(solution)
}

fn equations(vehicle: &Vehicle, speeds: &[(usize, f64)]) -> Vec<Row> {
    let largest = speeds.iter().map(|(_, v)| v.abs()).fold(0.0, f64::max);
    let unit = if largest > 0.0 { largest } else { 1.0 };
    let meshes = vehicle.meshes.iter().map(|mesh| {
        let larger = f64::from(mesh.teeth_a.max(mesh.teeth_b));
        Row {
            name: format!("mesh {}", mesh.name),
            terms: vec![
                (mesh.a, f64::from(mesh.teeth_a) / larger),
                (mesh.b, -f64::from(mesh.teeth_b) / larger),
            ],
            right: 0.0,
        }
    });
    let diffs = vehicle.diffs.iter().map(|diff| Row {
        name: format!("diff {}", diff.name),
        terms: vec![(diff.input, 2.0), (diff.out_a, -1.0), (diff.out_b, -1.0)],
        right: 0.0,
    });
    let stated = speeds.iter().map(|(shaft, speed)| Row {
        name: format!("speed of {}", vehicle.shafts[*shaft].name),
        terms: vec![(*shaft, 1.0)],
        right: speed / unit,
    });
    meshes.chain(diffs).chain(stated).collect()
}

/// Names of the equations that do not hold, worst first; empty when all hold.
fn worst_rows(rows: &[Row], solution: &[f64]) -> Vec<String> {
    let mut off: Vec<(f64, &str)> = rows
        .iter()
        .map(|row| {
            let left: f64 = row.terms.iter().map(|(i, c)| c * solution[*i]).sum();
            ((left - row.right).abs(), row.name.as_str())
        })
        .filter(|(residual, _)| *residual > CONTRADICTION)
        .collect();
    off.sort_by(|a, b| b.0.total_cmp(&a.0));
    off.iter()
        .take(ROWS_LISTED)
        .map(|(_, name)| (*name).to_owned())
        .collect()
}

/// `A P = Q R` of the equations, with `Q' b`.
struct PivotedQr {
    /// Column-major: columns are permuted as a whole.
    columns: Vec<Vec<f64>>,
    right: Vec<f64>,
    /// Shaft of each column.
    shaft: Vec<usize>,
    rank: usize,
}

impl PivotedQr {
    fn new(rows: &[Row], n: usize) -> Self {
        let mut columns = vec![vec![0.0; rows.len()]; n];
        for (r, row) in rows.iter().enumerate() {
            for (shaft, coefficient) in &row.terms {
                columns[*shaft][r] += coefficient;
            }
        }
        Self {
            columns,
            right: rows.iter().map(|row| row.right).collect(),
            shaft: (0..n).collect(),
            rank: 0,
        }
    }

    fn factor(&mut self) {
        let (m, n) = (self.right.len(), self.columns.len());
        let mut first = 0.0;
        for k in 0..n.min(m) {
            let tail = |c: &Vec<f64>| c[k..].iter().map(|x| x * x).sum::<f64>();
            let (best, size) = (k..n)
                .map(|j| (j, tail(&self.columns[j])))
                .fold((k, -1.0), |a, b| if b.1 > a.1 { b } else { a });
            let size = size.sqrt();
            first = f64::max(first, size);
            if size <= RANK * first {
                return;
            }
            self.columns.swap(k, best);
            self.shaft.swap(k, best);
            self.reflect(k, size);
            self.rank = k + 1;
        }
    }

    /// Householder reflection that clears column `k` below its diagonal; `size` is the length of its tail.
    fn reflect(&mut self, k: usize, size: f64) {
        let mut v = self.columns[k][k..].to_vec();
        let alpha = if v[0] > 0.0 { -size } else { size };
        v[0] -= alpha;
        let half = v.iter().map(|x| x * x).sum::<f64>() / 2.0;
        for target in self.columns[k..]
            .iter_mut()
            .chain(std::iter::once(&mut self.right))
        {
            let tail = &mut target[k..];
            let s = tail.iter().zip(&v).map(|(a, b)| a * b).sum::<f64>() / half;
            for (a, b) in tail.iter_mut().zip(&v) {
                *a -= s * b;
            }
        }
    }

    /// `R11 x = y` for the first `rank` columns.
    fn back_substitute(&self, y: &[f64]) -> Vec<f64> {
        let mut x = y[..self.rank].to_vec();
        for i in (0..self.rank).rev() {
            x[i] /= self.columns[i][i];
            let xi = x[i];
            for (j, xj) in x.iter_mut().enumerate().take(i) {
                *xj -= self.columns[i][j] * xi;
            }
        }
        x
    }

    /// Shafts with a component in the null space, in the order of the file.
    fn undetermined(&self) -> Vec<usize> {
        let n = self.columns.len();
        let mut open = vec![false; n];
        for j in self.rank..n {
            open[self.shaft[j]] = true;
            for (i, x) in self
                .back_substitute(&self.columns[j])
                .into_iter()
                .enumerate()
            {
                open[self.shaft[i]] |= x.abs() > RANK;
            }
        }
        (0..n).filter(|i| open[*i]).collect()
    }

    /// Least-squares solution by shaft; only for full rank.
    fn solution(&self) -> Vec<f64> {
        let mut by_shaft = vec![0.0; self.columns.len()];
        for (i, x) in self.back_substitute(&self.right).into_iter().enumerate() {
            by_shaft[self.shaft[i]] = x;
        }
        by_shaft
    }
}

/// A setup of the roll test.
pub(super) struct RollSetup<'v> {
    pub name: &'v str,
    pub rolling: bool,
    /// Shaft index and stated speed.
    pub stated: &'v [(usize, f64)],
}

/// The roll setup of a name, or the only one.
pub(super) fn roll_setup<'v>(
    vehicle: &'v Vehicle,
    name: Option<&str>,
) -> Result<RollSetup<'v>, TrainError> {
    let known = || -> Vec<String> { vehicle.setups_of("roll").map(|s| s.name.clone()).collect() };
    let setup = if let Some(name) = name {
        vehicle
            .setup(name)
            .ok_or_else(|| TrainError::UnknownSetup {
                setup: name.into(),
                known: known(),
            })?
    } else {
        let mut roll = vehicle.setups_of("roll");
        let first = roll.next().ok_or(TrainError::NoSetup)?;
        if roll.next().is_some() {
            return Err(TrainError::WhichSetup { known: known() });
        }
        first
    };
    match &setup.test {
        SetupTest::Roll { rolling, speeds } => Ok(RollSetup {
            name: &setup.name,
            rolling: *rolling,
            stated: speeds,
        }),
        other => Err(TrainError::OtherTest {
            setup: setup.name.clone(),
            test: other.name(),
            known: known(),
        }),
    }
}
