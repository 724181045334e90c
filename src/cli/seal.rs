//! `seal`: the bag around an inspection, its signatures, its time-stamps; and new keys.

use std::{
    fmt::Write as _,
    fs::{self, File},
    io::{self, Read as _, Write as _},
    path::{Path, PathBuf},
};

use clap::Args;
use schemars::JsonSchema;
use serde::Serialize;
use ssh_key::PrivateKey;

use super::{
    DONE, Failure, Outcome, Output,
    keys::{key, new_key},
    plan::{cannot_read, text as read_text, words},
    say,
    tree::{Disk, lies_in_a_seal},
    verify::whole,
};
use crate::{
    evidence::{
        self, Basis, DATA, ExpectedSigners, SIGNATURES, Signer, TAG_MANIFEST, Tree as _,
        WITHOUT_TIME,
        bag::is_digest,
        contents,
        signatures::{self, Added, By},
        signers::{self, fingerprint},
        sshsig, stamp,
        tree::{self, MAX_FILE, MAX_TAG},
        verify::MAX_STATEMENT,
    },
    record::writer::sha256,
};

/// What a signer vouches for who says nothing else.
const VOUCHES: &str = "these are the lines, photographs and notes of this inspection, unchanged";

/// `seal`.
#[derive(Args, Clone, Debug, Default)]
#[command(group = clap::ArgGroup::new("what").required(true).args(["path", "new_key"]))]
pub struct SealArgs {
    /// Folder of an inspection, or a sealed one that is to be signed or time-stamped.
    #[arg(value_name = "PATH")]
    pub path: Option<PathBuf>,
    /// Folder of the sealed inspection; it must not exist. Default: PATH-sealed.
    #[arg(long, value_name = "BAG")]
    pub out: Option<PathBuf>,
    /// Who is expected to sign: NAME:ROLE:KEY.pub:WHAT IT VOUCHES FOR; may be given several times.
    #[arg(long = "expect", value_name = "NAME:ROLE:KEY.pub:TEXT")]
    pub expect: Vec<String>,
    /// Who is expected to sign, as a file in the form of expected-signers.toml.
    #[arg(long, value_name = "FILE")]
    pub expected: Option<PathBuf>,
    /// A time-stamp is expected too: a seal that has lost it does not hold.
    #[arg(long)]
    pub expect_time: bool,
    /// The seal that this inspection supplements: its folder, or its digest.
    #[arg(long, value_name = "BAG|DIGEST")]
    pub follows: Option<String>,
    /// Sign with this OpenSSH private key (Ed25519). A passphrase is asked for, or read from the file that
    /// FEELGAUGE_PASSPHRASE_FILE names.
    #[arg(long, value_name = "KEY", requires = "name")]
    pub sign: Option<PathBuf>,
    /// Name of the signer, as in the list of expected signers.
    #[arg(long = "as", value_name = "NAME", requires = "sign")]
    pub name: Option<String>,
    /// Role of the signer, for a new seal: seller, buyer, shop, witness ... Default: its name.
    #[arg(long, value_name = "ROLE", requires = "sign")]
    pub role: Option<String>,
    /// What the signer vouches for, for a new seal.
    #[arg(long, value_name = "TEXT", requires = "sign")]
    pub vouches: Option<String>,
    /// A text of the signer's own, such as an objection; kept beside the signature and signed with it.
    #[arg(long, value_name = "FILE", requires = "sign")]
    pub statement: Option<PathBuf>,
    /// Write the request for a time-stamp (RFC 3161) of the seal and its signatures so far; with --time-reply: the
    /// request that was sent, to compare its nonce.
    #[arg(long, value_name = "FILE.tsq")]
    pub time_request: Option<PathBuf>,
    /// Add the authority's reply.
    #[arg(long, value_name = "FILE.tsr")]
    pub time_reply: Option<PathBuf>,
    /// Make a new key: FILE (for its owner alone) and FILE.pub.
    #[arg(long, value_name = "FILE", conflicts_with = "sign")]
    pub new_key: Option<PathBuf>,
    /// Comment of the new key. Default: feelgauge.
    #[arg(long, value_name = "TEXT", requires = "new_key")]
    pub comment: Option<String>,
    /// Ask for a passphrase of the new key.
    #[arg(long, requires = "new_key")]
    pub passphrase: bool,
}

/// Result of `seal`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, JsonSchema)]
pub(super) struct SealResult {
    /// Folder of the sealed inspection.
    bag: String,
    /// SHA-256 of `tagmanifest-sha256.txt`: the seal's own digest.
    seal: String,
    /// Files that were added to `signatures/` now.
    added: Vec<String>,
    /// What a signer must know though the seal holds, a sentence each: a report that is older than the journal.
    remarks: Vec<String>,
    /// Expected signers that have not signed yet.
    still_expected: Vec<String>,
    /// One line a signer, as `allowed_signers` of OpenSSH takes it.
    allowed_signers: Vec<String>,
}

/// Runs `seal`.
pub(super) fn run(args: &SealArgs, output: &mut Output) -> Outcome {
    let Some(path) = &args.path else {
        let file = args.new_key.as_deref().expect("one of the two is required");
        return new_key(file, args, output);
    };
    if args.new_key.is_some() {
        return Err(Failure::Usage(
            "--new-key FILE stands alone: make the key, then seal".into(),
        ));
    }
    fs::read_dir(path).map_err(|e| cannot_read(path, &e))?;
    let key = args.sign.as_deref().map(key).transpose()?;
    let is_new = !Disk::at(path).is_sealed();
    let (bag, mut remarks) = if is_new {
        make(args, path, key.as_ref())?
    } else {
        only_for_new(args, path)?;
        (path.clone(), Vec::new())
    };
    let mut added = Vec::new();
    if let (Some(key), Some(name)) = (&key, &args.name) {
        (added, remarks) = sign(&bag, key, name, args.statement.as_deref())?;
    }
    match (&args.time_request, &args.time_reply) {
        (request, Some(reply)) => added.push(attach(&bag, reply, request.as_deref())?),
        (Some(request), None) => write_request(&bag, request)?,
        (None, None) => {}
    }
    let result = result(&bag, added, remarks)?;
    warn(&result, is_new.then_some(path));
    output.result(&result, |_| text(&result, args))?;
    Ok(DONE)
}

fn only_for_new(args: &SealArgs, path: &Path) -> Result<(), Failure> {
    let given = [
        ("--out", args.out.is_some()),
        ("--expect", !args.expect.is_empty()),
        ("--expected", args.expected.is_some()),
        ("--expect-time", args.expect_time),
        ("--follows", args.follows.is_some()),
        ("--role", args.role.is_some()),
        ("--vouches", args.vouches.is_some()),
    ];
    if let Some((option, _)) = given.iter().find(|(_, given)| *given) {
        return Err(Failure::Usage(format!(
            "{}: is sealed already, and {option} would change what is under the seal; seal a supplement with --follows {}",
            path.display(),
            path.display()
        )));
    }
    if args.sign.is_none() && args.time_request.is_none() && args.time_reply.is_none() {
        return Err(Failure::Usage(format!(
            "{}: is sealed already; sign it with --sign KEY --as NAME, or time-stamp it with --time-request FILE.tsq",
            path.display()
        )));
    }
    Ok(())
}

// --- a new bag -------------------------------------------------------------------------------------------------

/// The bag, and what there is to know of it.
fn make(
    args: &SealArgs,
    inspection: &Path,
    key: Option<&PrivateKey>,
) -> Result<(PathBuf, Vec<String>), Failure> {
    if lies_in_a_seal(inspection) {
        return Err(Failure::Usage(format!(
            "{}: lies in a sealed inspection; name the sealed folder itself, to sign it",
            inspection.display()
        )));
    }
    let out = args.out.clone().unwrap_or_else(|| {
        let mut name = inspection.components().as_path().as_os_str().to_owned();
        name.push("-sealed");
        name.into()
    });
    if out.symlink_metadata().is_ok() {
        return Err(Failure::Usage(format!(
            "--out {}: exists already; name a folder that does not",
            out.display()
        )));
    }
    let expected = expected(args, key)?;
    let follows = args.follows.as_deref().map(followed).transpose()?;
    let source = Disk::at(inspection);
    let sealing = evidence::seal(&source, &expected, follows.as_deref())
        .map_err(|e| Failure::Work(format!("{}/{e}", inspection.display())))?;
    report_fits(&source, &sealing)?;
    let mut part = out.as_os_str().to_owned();
    part.push(".part");
    let part = PathBuf::from(part);
    let written = write(&source, &sealing, &part).and_then(|()| sound(&part));
    let remarks = written.inspect_err(|_| {
        // What was begun is of no use to anybody, and it was made a moment ago by us.
        let _ = fs::remove_dir_all(&part);
    })?;
    fs::rename(&part, &out).map_err(|e| cannot("name", &out, &e))?;
    Ok((out, remarks))
}

/// Who is expected to sign: of the options, and whoever signs now.
fn expected(args: &SealArgs, key: Option<&PrivateKey>) -> Result<ExpectedSigners, Failure> {
    let mut list = match &args.expected {
        None => ExpectedSigners {
            format: 1,
            ..ExpectedSigners::default()
        },
        Some(path) => {
            let bytes = read(path, MAX_TAG)?;
            ExpectedSigners::parse(&bytes)
                .map_err(|e| Failure::Work(format!("{}: {}", path.display(), e.what)))?
        }
    };
    list.time_stamp |= args.expect_time;
    for text in &args.expect {
        let parts: Vec<&str> = text.splitn(4, ':').collect();
        let [name, role, file, vouches] = parts[..] else {
            return Err(Failure::Usage(format!(
                "--expect {text}: four things are needed: NAME:ROLE:KEY.pub:TEXT"
            )));
        };
        let public = read_text(Path::new(file), 1 << 16, "key")?;
        signers::ed25519(&public).map_err(|e| Failure::Work(format!("{file}: {e}")))?;
        list.signers.push(signer(name, role, &public, vouches));
    }
    if let (Some(key), Some(name)) = (key, &args.name)
        && list.of(name).is_none()
    {
        let public = key.public_key().to_openssh();
        let public = public.map_err(|e| Failure::Work(e.to_string()))?;
        let role = args.role.as_deref().unwrap_or(name);
        let vouches = args.vouches.as_deref().unwrap_or(VOUCHES);
        list.signers.push(signer(name, role, &public, vouches));
    }
    if list.signers.is_empty() {
        return Err(Failure::Usage(
            "nobody is expected to sign: --sign KEY --as NAME, or --expect NAME:ROLE:KEY.pub:TEXT; a new key: feelgauge seal --new-key FILE".into(),
        ));
    }
    list.text()
        .map_err(|e| Failure::Usage(format!("expected signers: {}", e.what)))?;
    Ok(list)
}

fn signer(name: &str, role: &str, public_key: &str, vouches_for: &str) -> Signer {
    Signer {
        name: name.into(),
        role: role.into(),
        public_key: public_key.trim().into(),
        vouches_for: vouches_for.into(),
    }
}

/// Digest of the seal that is followed.
fn followed(text: &str) -> Result<String, Failure> {
    if is_digest(text) {
        return Ok(text.to_owned());
    }
    let path = Path::new(text).join(TAG_MANIFEST);
    let bytes = read(&path, MAX_TAG).map_err(|_| {
        Failure::Usage(format!(
            "--follows {text}: neither a sealed inspection nor its digest (64 hex digits)"
        ))
    })?;
    Ok(sha256(&bytes))
}

fn write(source: &Disk, sealing: &evidence::Sealing, to: &Path) -> Result<(), Failure> {
    fs::create_dir(to).map_err(|e| cannot("make", to, &e))?;
    for (path, digests) in &sealing.files {
        let target = to.join(DATA).join(path);
        let parent = target.parent().expect("it lies in the bag");
        fs::create_dir_all(parent).map_err(|e| cannot("make", parent, &e))?;
        let mut stream = source
            .open(path)
            .map_err(|e| cannot_read(&source.base.join(path), &e))?;
        let mut file = File::create_new(&target).map_err(|e| cannot("write", &target, &e))?;
        let copied = tree::digests_of(&mut stream, MAX_FILE, &mut |piece| file.write_all(piece))
            .and_then(|copied| file.sync_all().map(|()| copied))
            .map_err(|e| cannot("write", &target, &e))?;
        if copied.as_ref() != Some(digests) {
            return Err(Failure::Work(format!(
                "{}: changed while it was sealed; wait until nobody writes to the inspection",
                source.base.join(path).display()
            )));
        }
        read_only(&target)?;
    }
    for (name, bytes) in &sealing.tags {
        put(&to.join(name), bytes)?;
    }
    let folder = to.join(SIGNATURES);
    fs::create_dir(&folder).map_err(|e| cannot("make", &folder, &e))
}

/// A report whose list contradicts the files could not be verified: said before anything is made, with what to do.
fn report_fits(source: &Disk, sealing: &evidence::Sealing) -> Result<(), Failure> {
    let there = sealing
        .files
        .iter()
        .map(|(p, d)| (p.clone(), d.sha256.clone()));
    let standing = contents::standing(source, "", &there.collect());
    let standing = standing.map_err(|e| cannot_read(&source.base.join(contents::FILE), &e))?;
    let wrong = standing.and_then(|standing| standing.differences.into_iter().next());
    wrong.map_or(Ok(()), |first| {
        let folder = source.base.display();
        Err(Failure::Work(format!(
            "{folder}/{first}; nothing was sealed; make the report again: feelgauge report {folder}"
        )))
    })
}

/// Says what a signer must know; `made_of`: the inspection that was sealed now.
fn warn(result: &SealResult, made_of: Option<&PathBuf>) {
    let todo = match made_of {
        Some(inspection) => {
            let inspection = inspection.display();
            format!(
                "it is sealed as it is; for a report of everything: feelgauge report {inspection}, then feelgauge seal {inspection} --out ANOTHER"
            )
        }
        None => format!(
            "a report of what is sealed: feelgauge report {} --out DIR",
            result.bag
        ),
    };
    for remark in &result.remarks {
        say(&format!("{}: {remark}; {todo}", result.bag));
    }
}

/// What does not verify is not sealed. What there is to know of what does, a sentence each.
fn sound(bag: &Path) -> Result<Vec<String>, Failure> {
    let folder = bag.join(SIGNATURES);
    // an empty folder is nothing that a seal lists; it comes again with the first signature
    let _ = fs::remove_dir(&folder);
    let basis = Basis {
        unsigned: true,
        ..Basis::default()
    };
    let report = whole(&Disk::at(bag), &basis)?;
    match report.first {
        None => Ok(report.remarks()),
        Some(first) => Err(Failure::Work(format!(
            "{}: would not verify: {first}; nothing was sealed or signed",
            bag.display()
        ))),
    }
}

fn put(path: &Path, bytes: &[u8]) -> Result<(), Failure> {
    let written = File::create_new(path).and_then(|mut file| {
        file.write_all(bytes)?;
        file.sync_all()
    });
    written.map_err(|e| cannot("write", path, &e))?;
    read_only(path)
}

fn read_only(path: &Path) -> Result<(), Failure> {
    let mut rights = fs::metadata(path)
        .map_err(|e| cannot_read(path, &e))?
        .permissions();
    rights.set_readonly(true);
    fs::set_permissions(path, rights).map_err(|e| cannot("protect", path, &e))
}

// --- signatures and time-stamps --------------------------------------------------------------------------------

/// A sealed inspection as far as a signer needs it.
struct Sealed {
    bag: PathBuf,
    tag_manifest: Vec<u8>,
    order: Vec<Added>,
    expected: ExpectedSigners,
}

impl Sealed {
    fn open(bag: &Path) -> Result<Self, Failure> {
        let expected = bag.join(signers::FILE);
        let listing = tree::list(&Disk::at(bag)).map_err(|e| cannot_read(bag, &e))?;
        let order = signatures::order(listing.files.keys().map(String::as_str));
        Ok(Self {
            bag: bag.into(),
            tag_manifest: read(&bag.join(TAG_MANIFEST), MAX_TAG)?,
            order: order.map_err(|e| Failure::Work(format!("{}/{e}", bag.display())))?,
            expected: ExpectedSigners::parse(&read(&expected, MAX_TAG)?)
                .map_err(|e| Failure::Work(format!("{}/{e}", bag.display())))?,
        })
    }

    /// Number of the next signature.
    fn next(&self) -> Result<u32, Failure> {
        let number = self.order.len() + 1;
        u32::try_from(number)
            .ok()
            .filter(|n| *n < 100)
            .ok_or_else(|| {
                Failure::Work(format!(
                    "{}: has 99 signatures and stamps, no more fit",
                    self.bag.display()
                ))
            })
    }

    /// The text that the next signature is over.
    fn message(&self, number: u32, statement: Option<&str>) -> Result<Vec<u8>, Failure> {
        let mut covered = Vec::new();
        for path in signatures::covered(&self.order, number, statement) {
            let bytes = read(&self.bag.join(&path), MAX_TAG)?;
            covered.push((path, sha256(&bytes)));
        }
        Ok(signatures::message(&self.tag_manifest, &covered))
    }

    fn has_signed(&self, name: &str) -> bool {
        self.order
            .iter()
            .any(|a| a.by == By::Signer(name.to_owned()))
    }

    /// Refuses who is not expected, has signed already, or holds another key.
    fn may_sign(&self, key: &PrivateKey, name: &str) -> Result<(), Failure> {
        let place = self.bag.display();
        let Some(signer) = self.expected.of(name) else {
            let signers = self.expected.signers.iter();
            let names: Vec<&str> = signers.map(|s| s.name.as_str()).collect();
            return Err(Failure::Usage(format!(
                "--as {name}: {place} expects {}",
                names.join(", ")
            )));
        };
        if self.has_signed(name) {
            return Err(Failure::Usage(format!(
                "{place}: {name} has signed already"
            )));
        }
        let expected = signer
            .key()
            .map_err(|e| Failure::Work(format!("{place}: {e}")))?;
        if expected.key_data() != key.public_key().key_data() {
            return Err(Failure::Work(format!(
                "{place}: {name} is expected to sign with the key {}, and this one is {}",
                fingerprint(&expected),
                fingerprint(key.public_key())
            )));
        }
        Ok(())
    }
}

/// Signs a sealed inspection; the files that were added, and what there is to know of it.
fn sign(
    bag: &Path,
    key: &PrivateKey,
    name: &str,
    statement: Option<&Path>,
) -> Result<(Vec<String>, Vec<String>), Failure> {
    let sealed = Sealed::open(bag)?;
    sealed.may_sign(key, name)?;
    let remarks = sound(bag)?;
    let number = sealed.next()?;
    let stem = signatures::signature_stem(number, name);
    let own = statement
        .map(|path| read(path, MAX_STATEMENT))
        .transpose()?;
    if own
        .as_ref()
        .is_some_and(|bytes| bytes.is_empty() || std::str::from_utf8(bytes).is_err())
    {
        return Err(Failure::Usage(
            "--statement: an empty file, or no UTF-8 text".into(),
        ));
    }
    let folder = bag.join(SIGNATURES);
    fs::create_dir_all(&folder).map_err(|e| cannot("make", &folder, &e))?;
    let mut added = Vec::new();
    let own_path = own.as_ref().map(|_| format!("{stem}.txt"));
    if let (Some(bytes), Some(path)) = (&own, &own_path) {
        put(&bag.join(path), bytes)?;
        added.push(path.clone());
    }
    let message = sealed.message(number, own_path.as_deref())?;
    let armour = sshsig::sign(key, &message).map_err(Failure::Work)?;
    let path = format!("{stem}.sig");
    put(&bag.join(&path), armour.as_bytes())?;
    added.push(path);
    Ok((added, remarks))
}

fn write_request(bag: &Path, file: &Path) -> Result<(), Failure> {
    let sealed = Sealed::open(bag)?;
    let message = sealed.message(sealed.next()?, None)?;
    let mut nonce = [0; 8];
    getrandom::fill(&mut nonce).map_err(|e| Failure::Work(format!("no randomness: {e}")))?;
    let request = stamp::request(&message, nonce).map_err(Failure::Work)?;
    let written = File::create_new(file).and_then(|mut f| f.write_all(&request));
    written.map_err(|e| cannot("write", file, &e))
}

/// Adds a reply whose imprint is that of the seal as it stands; its path in the bag.
fn attach(bag: &Path, reply: &Path, request: Option<&Path>) -> Result<String, Failure> {
    let sealed = Sealed::open(bag)?;
    let number = sealed.next()?;
    let message = sealed.message(number, None)?;
    let bytes = read(reply, stamp::MAX_REPLY)?;
    let request = request.map(|path| read(path, MAX_STATEMENT)).transpose()?;
    stamp::check(&bytes, &message, request.as_deref()).map_err(|e| {
        Failure::Work(format!(
            "{}: {e}; the reply must answer the request that was made after the last signature",
            reply.display()
        ))
    })?;
    let folder = bag.join(SIGNATURES);
    fs::create_dir_all(&folder).map_err(|e| cannot("make", &folder, &e))?;
    let path = signatures::stamp_path(number, &bytes);
    put(&bag.join(&path), &bytes)?;
    Ok(path)
}

fn result(bag: &Path, added: Vec<String>, remarks: Vec<String>) -> Result<SealResult, Failure> {
    let sealed = Sealed::open(bag)?;
    let signers = &sealed.expected.signers;
    let open = signers.iter().filter(|s| !sealed.has_signed(&s.name));
    let line = |signer: &Signer| {
        let key: Vec<&str> = signer.public_key.split_whitespace().take(2).collect();
        format!(
            "{} namespaces=\"{}\" {}",
            signer.name,
            sshsig::NAMESPACE,
            key.join(" ")
        )
    };
    Ok(SealResult {
        bag: bag.display().to_string(),
        seal: sha256(&sealed.tag_manifest),
        added,
        remarks,
        still_expected: open.map(|s| s.name.clone()).collect(),
        allowed_signers: signers.iter().map(line).collect(),
    })
}

fn text(result: &SealResult, args: &SealArgs) -> String {
    let mut text = format!("Sealed in {}\nSeal {}\n", result.bag, result.seal);
    for path in &result.added {
        let _ = writeln!(text, "Added {path}");
    }
    if let (Some(request), None) = (&args.time_request, &args.time_reply) {
        let request = request.display();
        let _ = writeln!(
            text,
            "Wrote {request}: send it to a time-stamp authority, then\n  feelgauge seal {} --time-request {request} --time-reply REPLY.tsr",
            result.bag
        );
    }
    for name in &result.still_expected {
        let _ = writeln!(
            text,
            "{name} is expected to sign: feelgauge seal {} --sign KEY --as {name}",
            result.bag
        );
    }
    text.push_str(
        "The other side needs these lines from the signers themselves, not from the seal:\n",
    );
    for line in &result.allowed_signers {
        let _ = writeln!(text, "  {line}");
    }
    let _ = writeln!(text, "{WITHOUT_TIME}");
    text
}

// --- files -----------------------------------------------------------------------------------------------------

fn read(path: &Path, longest: u64) -> Result<Vec<u8>, Failure> {
    let mut bytes = Vec::new();
    File::open(path)
        .and_then(|file| file.take(longest + 1).read_to_end(&mut bytes))
        .map_err(|e| cannot_read(path, &e))?;
    if bytes.len() as u64 > longest {
        return Err(Failure::Work(format!(
            "{}: longer than {longest} bytes",
            path.display()
        )));
    }
    Ok(bytes)
}

pub(super) fn cannot(what: &str, path: &Path, error: &io::Error) -> Failure {
    let todo = match error.kind() {
        io::ErrorKind::AlreadyExists => "name one that does not exist",
        _ => "check the disk, and that you may write there",
    };
    Failure::Work(format!(
        "{}: cannot {what} it: {}; {todo}",
        path.display(),
        words(error)
    ))
}
