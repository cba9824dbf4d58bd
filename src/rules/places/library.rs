//! Places, outlines, checks and events read and looked up in each other: what outlines of units are made from.

use super::words::{Does, Mark, Mending, Path, When};
use super::written::{self, ChecksFile, HappenedFile, PlacesFile};
use crate::rules::figures::{Minutes, Money};
use crate::text::{At, Complaint, Complaints, Named, Place, Source, decode, or_nearest, parse};
use std::collections::BTreeMap;
use std::sync::Arc;

/// A file that a library was read from.
type File = Arc<Source>;

/// A way a place can be wrong.
#[derive(Clone, Debug)]
pub struct Mode {
    /// Text id.
    pub id: String,
    /// What is wrong, behind the place's name.
    pub says: String,
    /// The same for a customer.
    pub plain: String,
    /// Share of the place's faults in a fresh build, and in a unit that worked before.
    pub share: (f64, f64),
    /// What it does there.
    pub does: Vec<Does>,
    /// When it shows; empty for always.
    pub when: Vec<When>,
    /// What a look or a measurement of the part finds, with the chance.
    pub marks: Vec<(Mark, f64)>,
    /// The work that puts it right.
    pub work: Mending,
    /// Hands-on minutes of it.
    pub minutes: Minutes,
    /// Its parts.
    pub money: Money,
    /// Whether it stays when the part is replaced.
    pub around: bool,
    /// The mechanism.
    pub why: String,
    /// Where the knowledge comes from.
    pub source: String,
    /// Where it is written.
    pub place: Place,
}

/// A kind of place.
#[derive(Clone, Debug)]
pub struct Kind {
    /// Text id.
    pub id: String,
    /// What it is called.
    pub name: String,
    /// The same for a customer.
    pub plain: String,
    /// The path it sits on, where its spot does not say.
    pub path: Path,
    /// Faulty units of 1,000 with one that have the fault there: fresh builds, units that worked before.
    pub rate: (f64, f64),
    /// Whether it lets no more through than it is made for.
    pub limits: bool,
    /// Preparations and cautions that work and checks at it do without.
    pub without: Vec<String>,
    /// The device that it is, where one is named: `PT2399`.
    pub device: Option<String>,
    /// Its modes.
    pub modes: Vec<Mode>,
    /// Cautions at it.
    pub cautions: Vec<At<String>>,
    /// Where it is written.
    pub place: Place,
}

/// Complains of answers for readings at rest that their check does not have.
fn check_resting(file: &File, checks: &ChecksFile, complaints: &mut Complaints) {
    for (_, family) in checks.families.iter() {
        let Some(r) = &family.resting else { continue };
        let words = [&r.below, &r.above, &r.bottom, &r.top].into_iter().chain(&r.against);
        for word in words.filter(|w| family.answers.iter().all(|a| a.value != w.value)) {
            let message =
                format!("'resting' names the answer '{}', which the check does not have", word.value);
            let help = or_nearest(&word.value, family.answers.iter().map(|a| a.value.as_str()));
            let place = Place { file: file.clone(), span: word.span };
            complaints.0.push(Complaint::at("unknown-name", place, message).help(help));
        }
    }
}

/// Everything that outlines are made from.
#[derive(Clone, Debug, Default)]
pub struct Library {
    /// Kinds of place by id.
    pub kinds: BTreeMap<String, Kind>,
    /// Frames by id.
    pub frames: BTreeMap<String, written::Frame>,
    /// Outlines by id.
    pub outlines: BTreeMap<String, written::Outline>,
    /// Files of checks, in the order of their names.
    pub checks: Vec<(File, ChecksFile)>,
    /// Events and build methods.
    pub happened: HappenedFile,
}

impl Library {
    /// Reads the files of a library, by the folder that each stands in: `places`, `outlines`, `checks`, `happened.yaml`.
    ///
    /// # Errors
    /// Every complaint about every file.
    pub fn load(sources: &[Source]) -> Result<Self, Complaints> {
        let mut library = Self::default();
        let mut complaints = Complaints::default();
        let mut kinds: Vec<(File, PlacesFile)> = Vec::new();
        let mut outlines: Vec<(File, written::Outline)> = Vec::new();
        for source in sources {
            let read = || -> Result<Read, Complaints> {
                let document = parse(source)?;
                let has = |key: &str| document.root.get(key).is_some();
                Ok(match () {
                    () if has("places") => Read::Places(document.file.clone(), decode(&document)?),
                    () if has("frame") && has("outline") => {
                        Read::Outline(document.file.clone(), decode(&document)?)
                    }
                    () if has("outline") => Read::Outline(document.file.clone(), decode(&document)?),
                    () if has("frame") => Read::Frame(decode(&document)?),
                    () if has("checks") => Read::Checks(document.file.clone(), decode(&document)?),
                    () => Read::Happened(decode(&document)?),
                })
            };
            match read() {
                Ok(Read::Places(file, places)) => kinds.push((file, places)),
                Ok(Read::Outline(file, outline)) => outlines.push((file, outline)),
                Ok(Read::Frame(frame)) => {
                    library.frames.insert(frame.frame.value.clone(), frame);
                }
                Ok(Read::Checks(file, checks)) => {
                    check_resting(&file, &checks, &mut complaints);
                    library.checks.push((file, checks));
                }
                Ok(Read::Happened(happened)) => library.happened = happened,
                Err(more) => complaints.0.extend(more.0),
            }
        }
        library.add_kinds(&kinds, &mut complaints);
        for (file, outline) in outlines {
            library.check_spots(&file, &outline.spots, &mut complaints);
            if !library.frames.contains_key(&outline.frame.value) {
                let place = Place { file: file.clone(), span: outline.frame.span };
                let message = format!("unknown frame '{}'", outline.frame.value);
                let help = or_nearest(&outline.frame.value, library.frames.keys().map(String::as_str));
                complaints.0.push(Complaint::at("unknown-name", place, message).help(help));
            }
            library.outlines.insert(outline.outline.value.clone(), outline);
        }
        complaints.or_ok(library)
    }

    fn add_kinds(&mut self, files: &[(File, PlacesFile)], complaints: &mut Complaints) {
        let written: BTreeMap<&str, &written::Kind> =
            files.iter().flat_map(|(_, f)| f.kinds.iter()).map(|(k, v)| (k.value.as_str(), v)).collect();
        for (file, places) in files {
            for (key, kind) in places.kinds.iter() {
                let place = Place { file: file.clone(), span: key.span };
                let parent = match &kind.like {
                    None => None,
                    Some(like) => {
                        let parent = written.get(like.value.as_str()).copied();
                        if parent.is_none() {
                            let message = format!("unknown kind of place '{}'", like.value);
                            let help = or_nearest(&like.value, written.keys().copied());
                            let at = Place { file: file.clone(), span: like.span };
                            complaints.0.push(Complaint::at("unknown-name", at, message).help(help));
                        }
                        parent
                    }
                };
                let pick = |own: &Option<At<String>>, other: Option<&Option<At<String>>>| {
                    own.as_ref().or(other.and_then(Option::as_ref)).map(|t| t.value.trim().to_owned())
                };
                let name = pick(&kind.name, parent.map(|p| &p.name));
                let plain = pick(&kind.plain, parent.map(|p| &p.plain));
                let modes =
                    if kind.modes.0.is_empty() { parent.map(|p| &p.modes) } else { Some(&kind.modes) };
                let path = kind.path.0.first().or(parent.and_then(|p| p.path.0.first())).map(|p| p.value);
                let (Some(name), Some(plain), Some(modes), Some(path)) = (name, plain, modes, path) else {
                    let message = format!(
                        "the kind of place '{}' lacks a name, a plain name, a path or modes",
                        key.value
                    );
                    complaints.0.push(
                        Complaint::at("missing-field", place, message)
                            .help("write all four, or 'like: OTHER' to take them from another kind"),
                    );
                    continue;
                };
                let rate = kind.rate.or(parent.and_then(|p| p.rate)).unwrap_or_default();
                let source = kind.source.as_ref().or(parent.and_then(|p| p.source.as_ref()));
                let source = source.unwrap_or(&places.source).value.clone();
                let mut cautions = kind.cautions.clone();
                if cautions.is_empty() {
                    cautions = parent.map(|p| p.cautions.clone()).unwrap_or_default();
                }
                let modes = modes_of(file, modes, &source, complaints);
                let part = kind.part.as_ref().or(parent.and_then(|p| p.part.as_ref()));
                // Kinds of part are words, devices have figures in their names.
                let device =
                    part.map(|p| p.value.clone()).filter(|p| p.contains(|c: char| c.is_ascii_digit()));
                self.kinds.insert(
                    key.value.clone(),
                    Kind {
                        id: key.value.clone(),
                        name,
                        plain,
                        path,
                        rate: (rate.fresh, rate.worked),
                        without: kind.without.iter().map(|w| w.value.clone()).collect(),
                        limits: kind.limits || parent.is_some_and(|p| p.limits),
                        device,
                        modes,
                        cautions,
                        place,
                    },
                );
            }
        }
    }

    fn check_spots(&self, file: &File, spots: &written::Spots, complaints: &mut Complaints) {
        let all = [&spots.supply, &spots.head, &spots.signal, &spots.tail, &spots.control, &spots.everywhere];
        for (_, spot) in all.iter().flat_map(|s| s.iter()) {
            for name in std::iter::once(&spot.is).chain(spot.or.iter().map(|(k, _)| k)) {
                if !self.kinds.contains_key(&name.value) {
                    let message = format!("unknown kind of place '{}'", name.value);
                    let help = or_nearest(&name.value, self.kinds.keys().map(String::as_str));
                    let at = Place { file: file.clone(), span: name.span };
                    complaints.0.push(Complaint::at("unknown-name", at, message).help(help));
                }
            }
        }
    }
}

enum Read {
    Places(File, PlacesFile),
    Outline(File, written::Outline),
    Frame(written::Frame),
    Checks(File, ChecksFile),
    Happened(HappenedFile),
}

fn modes_of(
    file: &File,
    modes: &Named<written::Mode>,
    source: &str,
    complaints: &mut Complaints,
) -> Vec<Mode> {
    let mut out = Vec::new();
    for (key, mode) in modes.iter() {
        let place = Place { file: file.clone(), span: key.span };
        let mut marks = Vec::new();
        for (name, chance) in mode.marks.iter() {
            match name.value.parse::<Mark>() {
                Ok(mark) => marks.push((mark, chance.get())),
                Err(e) => {
                    let at = Place { file: file.clone(), span: name.span };
                    let message = format!("unknown mark '{}'", name.value);
                    complaints.0.push(Complaint::at("unknown-name", at, message).help(e.help));
                }
            }
        }
        if mode.does.is_empty() && marks.is_empty() {
            let message = format!("the mode '{}' does nothing and bears no mark", key.value);
            let help = "give it an effect under 'does', or a mark that a look or a meter finds";
            complaints.0.push(Complaint::at("no-effect", place.clone(), message).help(help));
        }
        out.push(Mode {
            id: key.value.clone(),
            says: mode.says.value.trim().to_owned(),
            plain: mode.plain.value.trim().to_owned(),
            share: (mode.share.fresh / 100.0, mode.share.worked / 100.0),
            does: mode.does.iter().map(|d| d.value).collect(),
            when: mode.when.iter().map(|w| w.value).collect(),
            marks,
            work: mode.mend.work.value,
            minutes: mode.mend.minutes.value,
            money: mode.mend.money.as_ref().map(|m| m.value).unwrap_or_default(),
            around: mode.around,
            why: mode.why.value.trim().to_owned(),
            source: mode.source.as_ref().map_or(source.to_owned(), |s| s.value.clone()),
            place,
        });
    }
    out
}
