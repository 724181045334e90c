//! QR codes as squares.

use qrcode::{Color, QrCode};

/// A QR code: its dark squares, row by row.
#[derive(Clone, Debug)]
pub(super) struct Code {
    /// Squares along a side.
    pub side: usize,
    /// Dark runs: column, row, length.
    pub dark: Vec<(usize, usize, usize)>,
}

/// The code of a text; none where it is too long for one.
pub(super) fn code(text: &str) -> Option<Code> {
    let code = QrCode::new(text).ok()?;
    let side = code.width();
    let mut dark: Vec<(usize, usize, usize)> = Vec::new();
    for (at, colour) in code.to_colors().into_iter().enumerate() {
        let (x, y) = (at % side, at / side);
        match dark.last_mut() {
            _ if colour == Color::Light => {}
            Some((from, row, length)) if *row == y && *from + *length == x => *length += 1,
            _ => dark.push((x, y, 1)),
        }
    }
    Some(Code { side, dark })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_code_has_its_three_corners() {
        let code = code("sha256:0123").unwrap();
        let row = |y: usize| code.dark.iter().filter(move |d| d.1 == y);
        for (y, x) in [(0, 0), (0, code.side - 7), (code.side - 7, 0)] {
            assert!(row(y).any(|d| (d.0, d.2) == (x, 7)), "{code:?}");
        }
        assert!(super::code(&"x".repeat(5000)).is_none());
    }
}
