//! What somebody may try. None of it may pass.

use std::{fs, path::Path, process::Command};

use feelgauge::evidence::sshsig::NAMESPACE;
use ssh_key::{HashAlg, LineEnding};

use super::{
    deed::{deed, deed_to_strangers, first_line},
    fixture::{LEAK, PULL, key, list_anew, load, sign_anew, small, store, tool},
};

/// Edits a file; what is edited must be there.
pub fn replace(path: &Path, from: &str, to: &str) {
    let text = fs::read_to_string(path).unwrap();
    assert!(text.contains(from), "{from} is not in {}", path.display());
    fs::write(path, text.replacen(from, to, 1)).unwrap();
}

fn sign_with(bag: &Path, file: &str, name: &str, namespace: &str, hash: HashAlg) {
    let text = fs::read(bag.join("tagmanifest-sha256.txt")).unwrap();
    let armour = key(name)
        .sign(namespace, hash, &text)
        .unwrap()
        .to_pem(LineEnding::LF)
        .unwrap();
    fs::write(bag.join(file), armour).unwrap();
}

#[test]
fn files_added_removed_swapped_renamed() {
    deed(
        "file added to the data",
        "data/extra.txt: not listed",
        |bag| fs::write(bag.join("data/extra.txt"), "x").unwrap(),
    );
    deed(
        "file added beside the lists",
        "extra.txt: not a file of a seal",
        |bag| fs::write(bag.join("extra.txt"), "x").unwrap(),
    );
    deed(
        "file added to the signatures",
        "signatures/note.md: not listed",
        |bag| fs::write(bag.join("signatures/note.md"), "x").unwrap(),
    );
    deed("empty folder added", "data/empty: an empty folder", |bag| {
        fs::create_dir(bag.join("data/empty")).unwrap();
    });
    deed(
        "two captures' files swapped",
        "closed.toml: not the bytes that were sealed",
        |bag| {
            let [a, b] = [LEAK, PULL].map(|c| bag.join(format!("data/captures/{c}/closed.toml")));
            let kept = fs::read(&a).unwrap();
            fs::copy(&b, &a).unwrap();
            fs::write(&b, kept).unwrap();
        },
    );
    deed(
        "file renamed",
        "data/photographs/front.jpg: missing, but listed",
        |bag| {
            fs::rename(
                bag.join("data/photographs/front.jpg"),
                bag.join("data/photographs/rear.jpg"),
            )
            .unwrap();
        },
    );
}

#[test]
fn every_single_file_is_missed() {
    let files = load(&small().at("bag"));
    let mut told = 0;
    for gone in files.keys() {
        let dir = tempfile::tempdir().unwrap();
        let mut rest = files.clone();
        rest.remove(gone);
        store(&rest, &dir.path().join("bag"));
        let (status, first) = first_line(&dir.path().join("bag"), &[]);
        eprintln!("ATTACK removed {gone}: exit {status}: {first}");
        assert_ne!(status, 0, "{gone}");
        told += 1;
    }
    assert!(told >= 18, "{told} files");
}

#[test]
fn lists_rewritten_without_a_key() {
    deed(
        "photograph replaced, all lists rewritten",
        "signatures/01-seller.sig: the signature is not over these bytes",
        |bag| {
            fs::write(bag.join("data/photographs/front.jpg"), "another car").unwrap();
            list_anew(bag);
        },
    );
    deed(
        "expected signer struck off",
        "expected-signers.toml: not the bytes that were sealed",
        |bag| {
            let path = bag.join("expected-signers.toml");
            let text = fs::read_to_string(&path).unwrap();
            let at = text.rfind("[[signer]]").unwrap();
            fs::write(&path, &text[..at]).unwrap();
        },
    );
    deed(
        "bag-info edited",
        "bag-info.txt: not the bytes that were sealed",
        |bag| {
            replace(
                &bag.join("bag-info.txt"),
                "External-Identifier: HL 14",
                "External-Identifier: HL 15",
            );
        },
    );
    deed("one manifest edited", "manifest-sha512.txt", |bag| {
        let path = bag.join("manifest-sha512.txt");
        let text = fs::read_to_string(&path).unwrap();
        let first = text.chars().next().unwrap();
        let other = if first == '0' { "1" } else { "0" };
        fs::write(&path, format!("{other}{}", &text[1..])).unwrap();
    });
}

#[test]
#[allow(clippy::too_many_lines)] // a table of attacks
fn signatures_of_others_for_others_and_otherwise() {
    deed("signature from another key", "made with the key", |bag| {
        sign_with(
            bag,
            "signatures/01-seller.sig",
            "mallory",
            NAMESPACE,
            HashAlg::Sha512,
        );
    });
    deed("namespace swapped", "made for \"file\"", |bag| {
        sign_with(
            bag,
            "signatures/01-seller.sig",
            "seller",
            "file",
            HashAlg::Sha512,
        );
    });
    deed("other hash", "over a sha256 digest", |bag| {
        sign_with(
            bag,
            "signatures/01-seller.sig",
            "seller",
            NAMESPACE,
            HashAlg::Sha256,
        );
    });
    deed(
        "signature of another seal",
        "the signature is not over these bytes",
        |bag| {
            fs::copy(
                small().at("bag/signatures/01-seller.sig"),
                bag.join("signatures/01-seller.sig"),
            )
            .unwrap();
        },
    );
    deed(
        "armour with CR LF",
        "not in its one canonical form",
        |bag| {
            let path = bag.join("signatures/01-seller.sig");
            let text = fs::read_to_string(&path).unwrap();
            fs::write(&path, text.replace('\n', "\r\n")).unwrap();
        },
    );
    deed(
        "text before the armour",
        "not in its one canonical form",
        |bag| {
            let path = bag.join("signatures/01-seller.sig");
            let text = fs::read_to_string(&path).unwrap();
            fs::write(&path, format!("see here\n{text}")).unwrap();
        },
    );
    deed(
        "last signature removed",
        "the expected signer buyer (buyer) has not signed",
        |bag| {
            for end in ["sig", "txt"] {
                fs::remove_file(bag.join(format!("signatures/02-buyer.{end}"))).unwrap();
            }
        },
    );
    deed(
        "first signature removed, the other moved up",
        "the signature is not over these bytes",
        |bag| {
            fs::remove_file(bag.join("signatures/01-seller.sig")).unwrap();
            for end in ["sig", "txt"] {
                let name = |n| bag.join(format!("signatures/0{n}-buyer.{end}"));
                fs::rename(name(2), name(1)).unwrap();
            }
        },
    );
    deed(
        "earlier signature made anew by its own signer",
        "signatures/01-seller.sig: the signature is not",
        |bag| {
            let text = b"something else";
            let armour = key("seller")
                .sign(NAMESPACE, HashAlg::Sha512, text)
                .unwrap()
                .to_pem(LineEnding::LF)
                .unwrap();
            fs::write(bag.join("signatures/01-seller.sig"), armour).unwrap();
        },
    );
    deed(
        "objection edited",
        "signatures/02-buyer.sig: the signature is not over these bytes",
        |bag| {
            replace(
                &bag.join("signatures/02-buyer.txt"),
                "do not agree",
                "do agree",
            );
        },
    );
    deed(
        "objection removed",
        "signatures/02-buyer.sig: the signature is not over these bytes",
        |bag| {
            fs::remove_file(bag.join("signatures/02-buyer.txt")).unwrap();
        },
    );
    deed("a signer signs twice", "seller has signed already", |bag| {
        fs::copy(
            bag.join("signatures/01-seller.sig"),
            bag.join("signatures/03-seller.sig"),
        )
        .unwrap();
    });
    deed(
        "a stranger signs too",
        "mallory is no expected signer",
        |bag| {
            sign_with(
                bag,
                "signatures/03-mallory.sig",
                "mallory",
                NAMESPACE,
                HashAlg::Sha512,
            );
        },
    );
}

#[test]
fn another_type_of_key() {
    let Some(_) = tool("ssh-keygen", &["-?"]) else {
        return;
    };
    deed(
        "signature of an ECDSA key",
        "signatures/01-seller.sig",
        |bag| {
            let dir = tempfile::tempdir().unwrap();
            let key = dir.path().join("k");
            let run = |args: &[&str]| {
                let status = Command::new("ssh-keygen")
                    .args(args)
                    .arg("-f")
                    .arg(&key)
                    .arg(bag.join("tagmanifest-sha256.txt"))
                    .output();
                assert!(status.unwrap().status.success());
            };
            let made = Command::new("ssh-keygen")
                .args(["-q", "-t", "ecdsa", "-N", "", "-f"])
                .arg(&key)
                .status();
            assert!(made.unwrap().success());
            run(&["-Y", "sign", "-n", NAMESPACE]);
            fs::rename(
                bag.join("tagmanifest-sha256.txt.sig"),
                bag.join("signatures/01-seller.sig"),
            )
            .unwrap();
        },
    );
}

#[test]
fn the_journal_with_all_lists_rewritten_by_another_key() {
    let lines = |bag: &Path| -> Vec<String> {
        let text = fs::read_to_string(bag.join("data/journal.jsonl")).unwrap();
        text.split_inclusive('\n').map(str::to_owned).collect()
    };
    let write = |bag: &Path, lines: &[String]| {
        fs::write(bag.join("data/journal.jsonl"), lines.concat()).unwrap();
        sign_anew(bag);
    };
    deed(
        "journal line removed",
        "data/journal.jsonl:3: \"n\" is not 3",
        |bag| {
            let mut all = lines(bag);
            all.remove(2);
            write(bag, &all);
        },
    );
    deed(
        "journal lines reordered",
        "data/journal.jsonl:2: \"n\" is not 2",
        |bag| {
            let mut all = lines(bag);
            all.swap(1, 2);
            write(bag, &all);
        },
    );
    deed(
        "journal line edited",
        "data/journal.jsonl:4: \"prev\" is not the digest",
        |bag| {
            let mut all = lines(bag);
            all[2] = all[2].replace("R. Tern", "A. Wren");
            write(bag, &all);
        },
    );
    deed("journal line cut", "data/journal.jsonl:5", |bag| {
        let mut all = lines(bag);
        all[4].truncate(60);
        write(bag, &all);
    });
    deed(
        "last journal line removed, lists kept",
        "data/journal.jsonl: not the bytes",
        |bag| {
            let mut all = lines(bag);
            all.pop();
            fs::write(bag.join("data/journal.jsonl"), all.concat()).unwrap();
        },
    );
}

#[test]
#[allow(clippy::too_many_lines)] // a table of attacks
fn captures_and_results_with_all_lists_rewritten() {
    let table = |bag: &Path| bag.join(format!("data/captures/{PULL}/force-HL-F1.csv"));
    let finding = |bag: &Path| bag.join(format!("data/findings/{PULL}.json"));
    let cut = |bag: &Path| {
        let bytes = fs::read(table(bag)).unwrap();
        fs::write(table(bag), &bytes[..bytes.len() * 3 / 4]).unwrap();
    };
    deed("capture truncated", "force-HL-F1.csv", |bag| {
        cut(bag);
        sign_anew(bag);
    });
    deed(
        "capture truncated and closed.toml removed",
        &format!("data/findings/{PULL}.json"),
        |bag| {
            cut(bag);
            fs::remove_file(table(bag).with_file_name("closed.toml")).unwrap();
            sign_anew(bag);
        },
    );
    let edit = |bag: &Path| {
        let text = fs::read_to_string(finding(bag)).unwrap();
        let from = text
            .lines()
            .find(|l| l.contains("\"value\""))
            .unwrap()
            .to_owned();
        replace(&finding(bag), &from, "    \"value\": 99.5,");
    };
    deed("result edited", "not the bytes that were sealed", edit);
    deed(
        "result edited, lists rewritten, signatures kept",
        "signatures/01-seller.sig",
        |bag| {
            edit(bag);
            list_anew(bag);
        },
    );
    deed(
        "result edited, lists rewritten, signed by another key",
        "worked out anew",
        |bag| {
            edit(bag);
            sign_anew(bag);
        },
    );
    deed(
        "result edited, lists rewritten, signatures removed",
        "has not signed",
        |bag| {
            edit(bag);
            list_anew(bag);
            fs::remove_dir_all(bag.join("signatures")).unwrap();
        },
    );
    deed(
        "verdict turned, signed by another key",
        &format!("data/findings/{PULL}.json:"),
        |bag| {
            let text = fs::read_to_string(finding(bag)).unwrap();
            let line = text
                .lines()
                .find(|l| l.trim_start().starts_with("\"verdict\""))
                .unwrap()
                .to_owned();
            replace(&finding(bag), &line, "  \"verdict\": \"outside\",");
            sign_anew(bag);
        },
    );
    deed(
        "results of two captures swapped, signed by another key",
        "data/findings/",
        |bag| {
            let [a, b] = [LEAK, PULL].map(|c| bag.join(format!("data/findings/{c}.json")));
            let kept = fs::read(&a).unwrap();
            fs::copy(&b, &a).unwrap();
            fs::write(&b, kept).unwrap();
            sign_anew(bag);
        },
    );
    deed(
        "finding of no capture, signed by another key",
        "a finding of no capture",
        |bag| {
            fs::copy(
                finding(bag),
                bag.join("data/findings/20310517T150000Z-pull.json"),
            )
            .unwrap();
            sign_anew(bag);
        },
    );
    let comparison = |bag: &Path| bag.join("data/findings/comparison-1.json");
    deed(
        "comparison edited, signed by another key",
        "data/findings/comparison-1.json:",
        |bag| {
            let text = fs::read_to_string(comparison(bag)).unwrap();
            let line = text
                .lines()
                .find(|l| l.contains("\"verdict\""))
                .unwrap()
                .to_owned();
            replace(&comparison(bag), &line, "  \"verdict\": \"lower\",");
            sign_anew(bag);
        },
    );
    deed(
        "comparison that names other captures",
        "data/findings/comparison-1.json",
        |bag| {
            let of = format!("before = [\"{PULL}\"]\nafter = [\"{LEAK}\"]\n");
            fs::write(comparison(bag).with_extension("toml"), of).unwrap();
            sign_anew(bag);
        },
    );
    deed("comparison that climbs out", "can be no capture", |bag| {
        let of = "before = [\"../../../../etc\"]\nafter = [\"..\"]\n";
        fs::write(comparison(bag).with_extension("toml"), of).unwrap();
        sign_anew(bag);
    });
}

#[test]
fn a_whole_other_inspection_is_seen_by_those_who_know_the_keys() {
    deed_to_strangers(
        "photograph replaced, everything signed by another key",
        "is not in the file of --signers",
        |bag| {
            fs::write(bag.join("data/photographs/front.jpg"), "another car").unwrap();
            sign_anew(bag);
        },
    );
    deed_to_strangers(
        "result of a claimed other version, signed by another key",
        "is not in the file of --signers",
        |bag| {
            let path = bag.join(format!("data/findings/{PULL}.json"));
            replace(&path, feelgauge::reading::SOFTWARE, "feelgauge 0.0.1");
            sign_anew(bag);
        },
    );
}
