//! A form that brings a file: RFC 7578, as browsers write it, and nothing beyond.

/// Most parts of a form; ours have three.
const MOST_PARTS: usize = 16;
/// Longest head of a part, bytes.
const MOST_HEAD: usize = 2048;
/// Longest boundary (RFC 2046, 5.1.1).
const MOST_BOUNDARY: usize = 70;

/// One field of a form.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Part<'a> {
    pub name: String,
    pub bytes: &'a [u8],
}

impl Part<'_> {
    /// A field's text, as a person typed it; lossy where it is no UTF-8.
    pub fn text(&self) -> String {
        String::from_utf8_lossy(self.bytes).into_owned()
    }
}

/// The fields of a body whose type is `multipart/form-data`. Names of files are not looked at: nothing is named by them.
pub(super) fn parts<'a>(content_type: &str, body: &'a [u8]) -> Result<Vec<Part<'a>>, &'static str> {
    let boundary =
        boundary(content_type).ok_or("the form does not say how its fields are parted")?;
    let line = format!("\r\n--{boundary}");
    let mut rest = body
        .strip_prefix(&line.as_bytes()[2..])
        .ok_or("the form does not begin with a field")?;
    let mut parts = Vec::new();
    loop {
        if rest.starts_with(b"--") {
            return Ok(parts);
        }
        if parts.len() >= MOST_PARTS {
            return Err("the form has too many fields");
        }
        let inside = rest.strip_prefix(b"\r\n").ok_or("the form is broken")?;
        let head = inside
            .get(..inside.len().min(MOST_HEAD))
            .unwrap_or_default();
        // A part without any header begins with the empty line.
        let head_end = find(head, b"\r\n\r\n").ok_or("a field of the form has no head")?;
        let content = &inside[head_end + 4..];
        let end = find(content, line.as_bytes()).ok_or("the form is cut off")?;
        parts.push(Part {
            name: name(&inside[..head_end]).ok_or("a field of the form has no name")?,
            bytes: &content[..end],
        });
        rest = &content[end + line.len()..];
    }
}

fn find(text: &[u8], what: &[u8]) -> Option<usize> {
    text.windows(what.len()).position(|w| w == what)
}

fn boundary(content_type: &str) -> Option<&str> {
    let (kind, parameters) = content_type.split_once(';')?;
    if !kind.trim().eq_ignore_ascii_case("multipart/form-data") {
        return None;
    }
    let value = parameters
        .split(';')
        .find_map(|p| p.trim().strip_prefix("boundary="))?;
    let value = value
        .strip_prefix('"')
        .and_then(|v| v.strip_suffix('"'))
        .unwrap_or(value);
    (1..=MOST_BOUNDARY).contains(&value.len()).then_some(value)
}

/// `form-data; name="photograph"; filename="..."`; quotes in it come as `%22`.
fn name(head: &[u8]) -> Option<String> {
    let head = std::str::from_utf8(head).ok()?;
    let disposition = head.split("\r\n").find_map(|line| {
        let (name, value) = line.split_once(':')?;
        name.eq_ignore_ascii_case("content-disposition")
            .then_some(value)
    })?;
    let name = disposition
        .split(';')
        .find_map(|parameter| parameter.trim().strip_prefix("name=\"")?.strip_suffix('"'))?;
    Some(name.to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    const TYPE: &str = "multipart/form-data; boundary=xYz";

    fn body(parts: &[(&str, &[u8])]) -> Vec<u8> {
        let mut out = Vec::new();
        for (head, bytes) in parts {
            out.extend(format!("--xYz\r\n{head}\r\n\r\n").as_bytes());
            out.extend(*bytes);
            out.extend(b"\r\n");
        }
        out.extend(b"--xYz--\r\n");
        out
    }

    #[test]
    fn fields_come_byte_for_byte() {
        let file: Vec<u8> = (0..=255).chain(*b"\r\n--xY\r\n--").collect();
        let body = body(&[
            (
                "Content-Disposition: form-data; name=\"words\"",
                "the tag, 14 \u{b0}".as_bytes(),
            ),
            (
                "content-disposition: form-data; name=\"photograph\"; filename=\"a; name=%22words%22.jpg\"\r\nContent-Type: image/jpeg",
                &file,
            ),
            ("Content-Disposition: form-data; name=\"empty\"", b""),
        ]);
        for content_type in [TYPE, "Multipart/Form-Data; charset=utf-8; boundary=\"xYz\""] {
            let parts = parts(content_type, &body).unwrap();
            let names: Vec<&str> = parts.iter().map(|p| p.name.as_str()).collect();
            assert_eq!(names, ["words", "photograph", "empty"]);
            assert_eq!(parts[0].text(), "the tag, 14 \u{b0}");
            assert_eq!(parts[1].bytes, file);
            assert_eq!(parts[2].bytes, b"");
        }
    }

    #[test]
    fn what_is_no_form_is_refused() {
        let whole = body(&[("Content-Disposition: form-data; name=\"a\"", b"1")]);
        for length in 0..whole.len() - 4 {
            assert!(parts(TYPE, &whole[..length]).is_err(), "{length}");
        }
        let long = "b".repeat(MOST_BOUNDARY + 1);
        for content_type in [
            "",
            "multipart/form-data",
            "multipart/form-data; boundary=",
            "multipart/mixed; boundary=xYz",
            &format!("multipart/form-data; boundary={long}"),
        ] {
            assert!(parts(content_type, &whole).is_err(), "{content_type}");
        }
        let nameless = body(&[("Content-Type: text/plain", b"1")]);
        assert!(parts(TYPE, &nameless).is_err());
        let head = format!(
            "Content-Disposition: form-data; name=\"{}\"",
            "n".repeat(MOST_HEAD)
        );
        assert!(parts(TYPE, &body(&[(&head, b"1")])).is_err());
        let many = vec![("Content-Disposition: form-data; name=\"a\"", &b"1"[..]); MOST_PARTS + 1];
        assert!(parts(TYPE, &body(&many)).is_err());
    }
}
