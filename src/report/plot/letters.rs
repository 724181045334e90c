//! How much room words take, so that they are laid out without a browser.

/// Widths of the characters from the space to the tilde, in thousandths of the size: text face, bold face (tables `hmtx` of
/// `text.ttf` and `bold.ttf` beside this room). Digits as wide as their widest, because pages set them in equal widths.
const WIDTHS: [[u16; 95]; 2] = [
    [
        200, 295, 286, 634, 520, 808, 619, 141, 272, 272, 379, 468, 227, 360, 238, 395, 520, 520,
        520, 520, 520, 520, 520, 520, 520, 520, 291, 260, 468, 468, 468, 438, 791, 533, 540, 530,
        544, 515, 487, 535, 560, 240, 507, 541, 488, 623, 587, 542, 522, 516, 533, 507, 507, 559,
        529, 762, 526, 514, 476, 355, 395, 355, 432, 445, 202, 471, 492, 470, 492, 478, 326, 483,
        487, 233, 227, 467, 213, 742, 487, 490, 497, 497, 341, 437, 322, 485, 445, 659, 449, 432,
        408, 313, 169, 313, 492,
    ],
    [
        200, 311, 352, 651, 520, 795, 654, 169, 329, 329, 380, 462, 238, 370, 247, 444, 520, 520,
        520, 520, 520, 520, 520, 520, 520, 520, 319, 274, 462, 462, 462, 479, 786, 577, 545, 536,
        547, 511, 490, 540, 554, 246, 518, 558, 499, 631, 590, 547, 531, 527, 543, 520, 526, 554,
        555, 783, 553, 546, 485, 381, 444, 381, 448, 472, 226, 487, 505, 486, 505, 492, 342, 498,
        497, 237, 235, 491, 227, 755, 497, 503, 508, 508, 354, 457, 335, 496, 478, 698, 488, 464,
        416, 360, 194, 360, 512,
    ],
];
/// Any other character: as wide as a wide letter.
const OTHER: u16 = 620;

/// Size and weight of letters, as the classes say them.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Letters {
    /// Units, 15, 16 or 18.
    pub size: u16,
    pub bold: bool,
}

impl Letters {
    /// From the classes of a text.
    pub fn of(class: &str) -> Self {
        let has = |word: &str| class.split(' ').any(|c| c == word);
        let size = match (has("t18"), has("t16")) {
            (true, _) => 18,
            (_, true) => 16,
            _ => 15,
        };
        Self {
            size,
            bold: has("tb"),
        }
    }

    /// Length of a line, units.
    pub fn width(self, text: &str) -> f64 {
        let widths = &WIDTHS[usize::from(self.bold)];
        let of = |c: char| {
            let place = (c as usize).checked_sub(usize::from(b' '));
            place.and_then(|i| widths.get(i)).copied().unwrap_or(OTHER)
        };
        let thousandths: f64 = text.chars().map(|c| f64::from(of(c))).sum();
        thousandths / 1000.0 * f64::from(self.size)
    }

    /// Lines no longer than `room`; what does not fit into `most` lines is cut, with three dots. A word that is too long is
    /// cut too.
    pub fn wrap(self, text: &str, room: f64, most: usize) -> Vec<String> {
        let mut lines: Vec<String> = Vec::new();
        for word in text.split_whitespace() {
            match lines.last_mut() {
                Some(line) if self.width(&format!("{line} {word}")) <= room => {
                    line.push(' ');
                    line.push_str(word);
                }
                _ => lines.push(word.to_owned()),
            }
        }
        let cut = lines.len() > most;
        lines.truncate(most);
        let last = lines.len().saturating_sub(1);
        for (i, line) in lines.iter_mut().enumerate() {
            *line = self.cut(line, room, cut && i == last);
        }
        lines
    }

    /// The beginning of a line that fits, with three dots where something is missing.
    fn cut(self, line: &str, room: f64, goes_on: bool) -> String {
        if !goes_on && self.width(line) <= room {
            return line.to_owned();
        }
        let mut short = line.to_owned();
        while !short.is_empty() && self.width(&format!("{short}...")) > room {
            short.pop();
        }
        short.truncate(short.trim_end().len());
        short + "..."
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_are_laid_out_in_lines_that_fit() {
        let letters = Letters::of("t15 t2");
        assert_eq!(
            letters,
            Letters {
                size: 15,
                bold: false
            }
        );
        assert!((letters.width("0.25 ") - 15.0 * (3.0 * 0.52 + 0.238 + 0.2)).abs() < 1e-9);
        let lines = letters.wrap("front left wheel bearing", 80.0, 3);
        assert_eq!(lines, ["front left", "wheel", "bearing"]);
        assert!(lines.iter().all(|l| letters.width(l) <= 80.0));
        assert_eq!(
            letters.wrap("front left wheel bearing", 80.0, 1),
            ["front left..."]
        );
        let long = letters.wrap("abcdefghijklmnopqrstuvwxyz", 60.0, 2);
        assert!(long.len() == 1 && long[0].ends_with("...") && letters.width(&long[0]) <= 60.0);
        assert!(letters.wrap("", 60.0, 2).is_empty());
    }
}
