//! Roll: is the detectable depth honest, and do two captures name the part?

use crate::figure::Sheet;
use crate::plan::Plan;

/// Sheets of depth and of several captures.
pub fn sheets(_plan: &Plan) -> Vec<Sheet> {
    Vec::new()
}
