//! Files: the one place of the library that reads and writes them.
//!
//! A job card is replaced as a whole: the new text is written to a file beside it, synced, and renamed
//! over the old one, so that at every moment the card on disk is either the old or the new one. One
//! process at a time may change a card: it holds a lock on a side file (`.NAME.lock`), which the
//! operating system drops when the process ends, however it ends. Where the file system knows no locks,
//! what is on disk is compared with what was read before every write.
//!
//! A process that is killed between writing and renaming leaves a side file (`.NAME.….new`); the next one that
//! takes the lock clears it away. One that ends at a signal can call [`leave`] first.

use crate::text::{Complaints, Source};
use std::collections::BTreeSet;
use std::fs::{self, File, OpenOptions, TryLockError};
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

/// What the file system refused.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// No file there.
    #[error("{path}: there is no such file")]
    Missing {
        /// The path as given.
        path: String,
    },
    /// Something is there already.
    #[error("{path}: there is a file already; it was left as it is")]
    Exists {
        /// The path as given.
        path: String,
    },
    /// Reading or writing is not allowed, or the disk is full, or the like.
    #[error("{path}: can't {action}: {reason}; what was on disk is untouched")]
    System {
        /// The path.
        path: String,
        /// `read`, `write`, `lock`.
        action: &'static str,
        /// The system's reason in words.
        reason: String,
    },
    /// Another process holds the card.
    #[error("{path}: another halfsplit ({holder}) is working on this card; finish there, or try again")]
    Held {
        /// The path.
        path: String,
        /// What the holder wrote into the lock file.
        holder: String,
    },
    /// The file changed on disk between reading and writing.
    #[error("{path}: somebody changed the file meanwhile; nothing was written, try again")]
    Changed {
        /// The path.
        path: String,
    },
    /// Something else than a file on disk where one is needed.
    #[error("{path}: this is {what}, and a job card is a file on disk; write it to one first")]
    NotAFile {
        /// The path as given.
        path: String,
        /// `a pipe`, `a folder`, `a device`.
        what: &'static str,
    },
    /// A pipe that nobody writes to, or reads from.
    #[error("{path}: this is a pipe, and nobody {does} it")]
    IdlePipe {
        /// The path as given.
        path: String,
        /// `writes to` or `reads from`.
        does: &'static str,
    },
    /// The bytes are not text that can be read.
    #[error(transparent)]
    Text(#[from] Complaints),
}

impl StoreError {
    fn io(path: &Path, action: &'static str, e: &io::Error) -> Self {
        let path = path.display().to_string();
        match e.kind() {
            io::ErrorKind::NotFound if action == "read" => Self::Missing { path },
            kind => Self::System { path, action, reason: reason(kind, e) },
        }
    }
}

fn reason(kind: io::ErrorKind, e: &io::Error) -> String {
    match kind {
        io::ErrorKind::NotFound => "the folder is not there".into(),
        io::ErrorKind::PermissionDenied => {
            "permission denied (the file and its folder must be yours to read and write)".into()
        }
        io::ErrorKind::StorageFull => "the disk is full (make room, then give the answer again)".into(),
        io::ErrorKind::QuotaExceeded => "your disk quota is used up".into(),
        io::ErrorKind::ReadOnlyFilesystem => {
            "the disk is read-only (copy the card to one that is not)".into()
        }
        io::ErrorKind::IsADirectory => "it is a folder".into(),
        _ => e.to_string(),
    }
}

/// Side files of this process that are to go when it ends; held while a file is being written.
static SIDE_FILES: Mutex<Vec<PathBuf>> = Mutex::new(Vec::new());

fn side_files() -> MutexGuard<'static, Vec<PathBuf>> {
    SIDE_FILES.lock().unwrap_or_else(PoisonError::into_inner)
}

/// To be called when the process is about to end at a signal: waits for a write that is going on, removes this
/// process's lock files, and holds every further write back while the guard lives. End the process before it is dropped.
pub fn leave() -> Leaving {
    let files = side_files();
    for file in files.iter() {
        let _ = fs::remove_file(file);
    }
    Leaving { _files: files }
}

/// While this lives, nothing is written. See [`leave`].
#[derive(Debug)]
pub struct Leaving {
    _files: MutexGuard<'static, Vec<PathBuf>>,
}

/// How long a pipe may stay silent.
const PIPE_PATIENCE: Duration = Duration::from_secs(10);

/// Files that this process has read, by what the system knows them by.
static READ: Mutex<BTreeSet<Identity>> = Mutex::new(BTreeSet::new());

#[cfg(unix)]
type Identity = (u64, u64);
#[cfg(not(unix))]
type Identity = PathBuf;

#[cfg(unix)]
fn identity(path: &Path) -> io::Result<Identity> {
    use std::os::unix::fs::MetadataExt;
    fs::metadata(path).map(|m| (m.dev(), m.ino()))
}

#[cfg(not(unix))]
fn identity(path: &Path) -> io::Result<Identity> {
    fs::canonicalize(path)
}

/// Whether this process has read the file at a path with [`read`], by whatever name.
pub fn was_read(path: &Path) -> bool {
    let known = READ.lock().unwrap_or_else(PoisonError::into_inner);
    identity(path).is_ok_and(|id| known.contains(&id))
}

/// Reads a text file, or a pipe to its end.
///
/// # Errors
/// [`StoreError::Missing`], [`StoreError::System`]; [`StoreError::Text`] for files that are too large
/// or not UTF-8; [`StoreError::IdlePipe`].
pub fn read(path: &Path) -> Result<Source, StoreError> {
    let bytes = bytes(path, crate::text::MAX_BYTES as u64)?;
    Ok(Source::from_bytes(path.display().to_string(), bytes)?)
}

/// Reads a text file of any size up to 1 GiB: for what this program has written itself, such as statistics.
///
/// # Errors
/// As [`read`].
pub fn read_whole(path: &Path) -> Result<String, StoreError> {
    let bytes = bytes(path, 1 << 30)?;
    String::from_utf8(bytes).map_err(|e| {
        Source::from_bytes(path.display().to_string(), e.into_bytes()).err().unwrap_or_default().into()
    })
}

/// The bytes of a file or pipe, `most` at most; of a longer one whose length can't be told before, one more.
fn bytes(path: &Path, most: u64) -> Result<Vec<u8>, StoreError> {
    let io = |e: io::Error| StoreError::io(path, "read", &e);
    let found = fs::metadata(path).map_err(io)?;
    if found.is_dir() {
        return Err(StoreError::io(path, "read", &io::ErrorKind::IsADirectory.into()));
    }
    let name = path.display().to_string();
    if found.is_file() && found.len() > most {
        return Err(crate::text::too_large(&name, found.len()).into());
    }
    // One byte more than allowed is enough to tell.
    let most = most + 1;
    let bytes = if is_pipe(&found) {
        let bytes = drain(path, most).map_err(io)?;
        bytes.ok_or_else(|| StoreError::IdlePipe { path: name.clone(), does: "writes to" })?
    } else {
        let mut bytes = Vec::new();
        File::open(path).map_err(io)?.take(most).read_to_end(&mut bytes).map_err(io)?;
        bytes
    };
    if let Ok(id) = identity(path) {
        READ.lock().unwrap_or_else(PoisonError::into_inner).insert(id);
    }
    Ok(bytes)
}

#[cfg(unix)]
fn is_pipe(found: &fs::Metadata) -> bool {
    use std::os::unix::fs::FileTypeExt;
    found.file_type().is_fifo()
}

#[cfg(not(unix))]
fn is_pipe(_: &fs::Metadata) -> bool {
    false
}

/// The options to open a pipe with: opening one whose other end nobody holds would wait for ever.
fn for_pipes() -> OpenOptions {
    #[allow(unused_mut)]
    let mut options = OpenOptions::new();
    #[cfg(unix)]
    {
        use std::os::unix::fs::OpenOptionsExt;
        options.custom_flags(rustix::fs::OFlags::NONBLOCK.bits() as i32);
    }
    options
}

/// What comes out of a pipe up to its end; nothing where nothing comes for too long.
fn drain(path: &Path, most: u64) -> io::Result<Option<Vec<u8>>> {
    let mut file = for_pipes().read(true).open(path)?;
    let (mut bytes, mut part) = (Vec::new(), [0; 65_536]);
    let mut since = Instant::now();
    while (bytes.len() as u64) < most {
        match file.read(&mut part) {
            Ok(0) if !bytes.is_empty() => break,
            Ok(n) if n > 0 => {
                bytes.extend_from_slice(&part[..n]);
                since = Instant::now();
            }
            // Nobody writes yet, or nothing has been written.
            Ok(_) => {}
            Err(e) if matches!(e.kind(), io::ErrorKind::WouldBlock | io::ErrorKind::Interrupted) => {}
            Err(e) => return Err(e),
        }
        if since.elapsed() > PIPE_PATIENCE {
            return Ok(None);
        }
        if since.elapsed() > Duration::from_millis(1) {
            std::thread::sleep(Duration::from_millis(2));
        }
    }
    bytes.truncate(usize::try_from(most).unwrap_or(usize::MAX));
    Ok(Some(bytes))
}

/// Writes a text to something that is no file on disk: a device, a pipe.
///
/// # Errors
/// [`StoreError::System`]; [`StoreError::IdlePipe`] where nobody reads for too long.
pub fn pour(path: &Path, text: &str) -> Result<(), StoreError> {
    let io = |e: io::Error| StoreError::io(path, "write", &e);
    let idle = || StoreError::IdlePipe { path: path.display().to_string(), does: "reads from" };
    let mut since = Instant::now();
    let waits = |since: Instant| match since.elapsed() > PIPE_PATIENCE {
        true => Err(idle()),
        false => {
            std::thread::sleep(Duration::from_millis(2));
            Ok(())
        }
    };
    const NO_READER: i32 = 6;
    let mut file = loop {
        match for_pipes().append(true).open(path) {
            Ok(file) => break file,
            Err(e) if e.raw_os_error() == Some(NO_READER) => waits(since)?,
            Err(e) => return Err(io(e)),
        }
    };
    let mut rest = text.as_bytes();
    while !rest.is_empty() {
        match file.write(rest) {
            Ok(n) => {
                rest = &rest[n..];
                since = Instant::now();
            }
            Err(e) if e.kind() == io::ErrorKind::WouldBlock => waits(since)?,
            Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
            Err(e) => return Err(io(e)),
        }
    }
    Ok(())
}

/// Writes a new file; never over an old one.
///
/// # Errors
/// [`StoreError::Exists`], [`StoreError::System`].
pub fn create(path: &Path, text: &str) -> Result<(), StoreError> {
    let io = |e: io::Error| StoreError::io(path, "write", &e);
    let _writing = side_files();
    let temp = written_beside(path, text, None).map_err(io)?;
    match temp.persist_noclobber(path) {
        Ok(_) => sync_folder(path).map_err(io),
        Err(e) if e.error.kind() == io::ErrorKind::AlreadyExists => {
            Err(StoreError::Exists { path: path.display().to_string() })
        }
        Err(e) => Err(io(e.error)),
    }
}

/// Writes a file, replacing an old one in one step. Its owner, group and mode stay; where the system does not let this process give
/// the new file to the old one's owner, the old one is written into.
///
/// # Errors
/// [`StoreError::System`]; [`StoreError::NotAFile`] for anything else than a file.
pub fn replace(path: &Path, text: &str) -> Result<(), StoreError> {
    let io = |e: io::Error| StoreError::io(path, "write", &e);
    let target = fs::canonicalize(path).unwrap_or_else(|_| path.to_path_buf());
    let old = fs::metadata(&target).ok();
    if let Some(what) = old.as_ref().and_then(no_file) {
        return Err(StoreError::NotAFile { path: path.display().to_string(), what });
    }
    if old.as_ref().is_some_and(|m| m.permissions().readonly()) {
        return Err(io(io::ErrorKind::PermissionDenied.into()));
    }
    let _writing = side_files();
    let temp = written_beside(&target, text, old.as_ref().map(fs::Metadata::permissions)).map_err(io)?;
    if let Some(old) = &old
        && !given_to_owner_of(temp.as_file(), old).map_err(io)?
    {
        // The new text lies beside it until it is all there.
        let mut file = OpenOptions::new().write(true).open(&target).map_err(io)?;
        file.write_all(text.as_bytes()).map_err(io)?;
        file.set_len(text.len() as u64).map_err(io)?;
        return file.sync_all().map_err(io);
    }
    temp.persist(&target).map_err(|e| io(e.error))?;
    sync_folder(&target).map_err(io)
}

/// What something is that is no file on disk.
fn no_file(found: &fs::Metadata) -> Option<&'static str> {
    match () {
        () if found.is_file() => None,
        () if found.is_dir() => Some("a folder"),
        () if is_pipe(found) => Some("a pipe"),
        () => Some("a device"),
    }
}

/// Gives a new file the owner, group and mode of the old one; no where the system does not let us.
#[cfg(unix)]
fn given_to_owner_of(new: &File, old: &fs::Metadata) -> io::Result<bool> {
    use std::os::unix::fs::{MetadataExt, fchown};
    let now = new.metadata()?;
    if (now.uid(), now.gid()) != (old.uid(), old.gid()) {
        match fchown(new, Some(old.uid()), Some(old.gid())) {
            Ok(()) => {}
            Err(e) if e.kind() == io::ErrorKind::PermissionDenied => return Ok(false),
            Err(e) => return Err(e),
        }
    }
    // A change of owner takes special bits away, and the mask of new files others.
    new.set_permissions(old.permissions())?;
    Ok(true)
}

#[cfg(not(unix))]
fn given_to_owner_of(_: &File, _: &fs::Metadata) -> io::Result<bool> {
    Ok(true)
}

fn folder(path: &Path) -> &Path {
    match path.parent() {
        Some(p) if !p.as_os_str().is_empty() => p,
        _ => Path::new("."),
    }
}

const SIDE_SUFFIX: &str = ".new";

/// How the names of the files that a file's new text is written to begin.
fn side_prefix(path: &Path) -> String {
    let name = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    // File systems take 255 bytes of a name, and the random part needs some.
    let name: String = name
        .chars()
        .scan(0, |n, c| {
            *n += c.len_utf8();
            (*n < 200).then_some(c)
        })
        .collect();
    format!(".{name}.halfsplit-")
}

/// Clears away what a process that was killed left of a file. Only for whoever holds the lock.
fn sweep(target: &Path) {
    let prefix = side_prefix(target);
    let Ok(entries) = fs::read_dir(folder(target)) else { return };
    for entry in entries.flatten() {
        let name = entry.file_name();
        let name = name.to_string_lossy();
        if name.starts_with(&prefix) && name.ends_with(SIDE_SUFFIX) {
            let _ = fs::remove_file(entry.path());
        }
    }
}

fn written_beside(
    path: &Path,
    text: &str,
    mode: Option<fs::Permissions>,
) -> io::Result<tempfile::NamedTempFile> {
    let mut builder = tempfile::Builder::new();
    let prefix = side_prefix(path);
    builder.prefix(&prefix).suffix(SIDE_SUFFIX);
    #[cfg(unix)]
    let fresh = {
        use std::os::unix::fs::PermissionsExt;
        fs::Permissions::from_mode(0o644)
    };
    #[cfg(unix)]
    builder.permissions(mode.unwrap_or(fresh));
    let mut temp = builder.tempfile_in(folder(path))?;
    temp.write_all(text.as_bytes())?;
    temp.as_file().sync_all()?;
    Ok(temp)
}

fn sync_folder(path: &Path) -> io::Result<()> {
    // Some file systems can't sync a folder; the file itself is synced already.
    if let Ok(folder) = File::open(folder(path)) {
        let _ = folder.sync_all();
    }
    Ok(())
}

/// A file held for changing: nobody else who asks may change it until this is dropped.
#[derive(Debug)]
pub struct Held {
    shown: PathBuf,
    target: PathBuf,
    lock: Option<(File, PathBuf)>,
    source: Source,
}

impl Held {
    /// Takes the lock on `path` and reads it. Waits while it changes hands, and at most `patience` for any one holder.
    /// `who` is written into the lock file for others to read (`process 4711 since 10:04`).
    ///
    /// ```
    /// use halfsplit::job::{JobCard, NewFinding, store::{Held, StoreError, create}};
    /// use std::time::Duration;
    /// let folder = tempfile::tempdir()?;
    /// let path = folder.path().join("job.yaml");
    /// create(&path, "unit: Tin Lantern\nhistory: fresh-build\n")?;
    /// let mut held = Held::open(&path, "my bench", Duration::from_secs(1))?;
    /// let second = Held::open(&path, "another", Duration::ZERO);
    /// assert!(matches!(second, Err(StoreError::Held { .. })));
    /// let found = NewFinding { at: None, check: "effect-sound".into(), answer: "silent".into(), remark: None };
    /// held.write(JobCard::read(held.source())?.with_finding(&found)?.text())?;
    /// assert!(std::fs::read_to_string(&path)?.ends_with("  - {check: effect-sound, answer: silent}\n"));
    /// # Ok::<(), Box<dyn std::error::Error>>(())
    /// ```
    ///
    /// On a file system that knows no locks the file is opened without one; [`Held::write`] then still
    /// refuses to write over a change that it has not seen.
    ///
    /// # Errors
    /// [`StoreError::Held`] with who holds it, [`StoreError::NotAFile`], else as [`read`].
    pub fn open(path: &Path, who: &str, patience: Duration) -> Result<Self, StoreError> {
        let found = fs::metadata(path).map_err(|e| StoreError::io(path, "read", &e))?;
        if found.is_dir() {
            return Err(StoreError::io(path, "read", &io::ErrorKind::IsADirectory.into()));
        }
        if let Some(what) = no_file(&found) {
            return Err(StoreError::NotAFile { path: path.display().to_string(), what });
        }
        let target = fs::canonicalize(path).map_err(|e| StoreError::io(path, "read", &e))?;
        let lock = take_lock(&target, path, who, patience, File::try_lock)?;
        if let Some((_, side)) = &lock {
            side_files().push(side.clone());
            sweep(&target);
        }
        let mut held = Self {
            shown: path.to_path_buf(),
            target,
            lock,
            source: Source::new(String::new(), String::new()),
        };
        held.reread()?;
        Ok(held)
    }

    /// The text as last read or written.
    pub fn source(&self) -> &Source {
        &self.source
    }

    /// Reads the file again, after somebody else changed it.
    ///
    /// # Errors
    /// As [`read`].
    pub fn reread(&mut self) -> Result<&Source, StoreError> {
        let mut source = read(&self.target)?;
        source.name = self.shown.display().to_string();
        self.source = source;
        Ok(&self.source)
    }

    /// Replaces the file's text in one step; returns when it is on disk.
    ///
    /// # Errors
    /// [`StoreError::Changed`] when the file is no longer what was read, [`StoreError::Missing`] when it
    /// is gone, [`StoreError::System`] when it can't be written; the file is then as it was.
    pub fn write(&mut self, text: &str) -> Result<(), StoreError> {
        let now = fs::read(&self.target).map_err(|e| StoreError::io(&self.shown, "read", &e))?;
        if now != self.source.text.as_bytes() {
            return Err(StoreError::Changed { path: self.shown.display().to_string() });
        }
        replace(&self.target, text).map_err(|e| match e {
            StoreError::System { action, reason, .. } => {
                StoreError::System { path: self.shown.display().to_string(), action, reason }
            }
            other => other,
        })?;
        self.source = Source::new(self.source.name.as_str(), text.to_string());
        Ok(())
    }
}

impl Drop for Held {
    fn drop(&mut self) {
        if let Some((file, path)) = self.lock.take() {
            side_files().retain(|p| *p != path);
            // Unlinked while still locked: whoever waits notices that its file is no longer the one there.
            #[cfg(unix)]
            let _ = fs::remove_file(&path);
            let _ = (file.unlock(), path);
        }
    }
}

fn lock_path(target: &Path) -> PathBuf {
    let name = target.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    folder(target).join(format!(".{name}.lock"))
}

fn take_lock(
    target: &Path,
    shown: &Path,
    who: &str,
    patience: Duration,
    try_lock: impl Fn(&File) -> Result<(), TryLockError>,
) -> Result<Option<(File, PathBuf)>, StoreError> {
    let path = lock_path(target);
    let mut since = Instant::now();
    let mut last = String::new();
    loop {
        let mut file = OpenOptions::new()
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .open(&path)
            .map_err(|e| StoreError::io(shown, "lock", &e))?;
        match try_lock(&file) {
            Ok(()) if still_there(&file, &path) => {
                let _ = file.set_len(0);
                let _ = file.write_all(who.as_bytes());
                return Ok(Some((file, path)));
            }
            Ok(()) => {} // removed by the last holder between opening and locking: once more
            Err(TryLockError::WouldBlock) => {
                let mut holder = String::new();
                let _ = (&mut file).take(200).read_to_string(&mut holder);
                if holder != last {
                    (since, last) = (Instant::now(), holder);
                } else if since.elapsed() >= patience {
                    let holder = if last.trim().is_empty() { "unknown process" } else { last.trim() };
                    return Err(StoreError::Held {
                        path: shown.display().to_string(),
                        holder: holder.into(),
                    });
                }
                std::thread::sleep(Duration::from_millis(5).min(patience));
            }
            Err(TryLockError::Error(e)) if knows_no_locks(&e) => {
                let _ = fs::remove_file(&path);
                return Ok(None);
            }
            Err(TryLockError::Error(e)) => return Err(StoreError::io(shown, "lock", &e)),
        }
    }
}

/// Whether the file system (a network drive, as a rule) has no locks to give.
fn knows_no_locks(e: &io::Error) -> bool {
    const ENOLCK: i32 = 37;
    const ENOLCK_BSD: i32 = 77;
    let number = if cfg!(target_os = "linux") { ENOLCK } else { ENOLCK_BSD };
    e.kind() == io::ErrorKind::Unsupported || (cfg!(unix) && e.raw_os_error() == Some(number))
}

#[cfg(unix)]
fn still_there(file: &File, path: &Path) -> bool {
    use std::os::unix::fs::MetadataExt;
    match (file.metadata(), fs::metadata(path)) {
        (Ok(a), Ok(b)) => a.ino() == b.ino() && a.dev() == b.dev(),
        _ => false,
    }
}

#[cfg(not(unix))]
fn still_there(_: &File, _: &Path) -> bool {
    true
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn a_second_holder_is_told_who_is_first() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("job.yaml");
        create(&path, "unit: A\n").unwrap();
        let first = Held::open(&path, "process 1", Duration::ZERO).unwrap();
        let second = Held::open(&path, "process 2", Duration::ZERO).unwrap_err();
        assert!(second.to_string().contains("another halfsplit (process 1)"), "{second}");
        drop(first);
        Held::open(&path, "process 2", Duration::ZERO).unwrap();
        let left: Vec<_> = fs::read_dir(dir.path()).unwrap().map(|e| e.unwrap().file_name()).collect();
        assert_eq!(left, ["job.yaml"], "no lock or temporary file stays behind");
    }

    #[test]
    fn a_change_from_outside_is_not_written_over() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("job.yaml");
        create(&path, "unit: A\n").unwrap();
        assert!(matches!(create(&path, "unit: B\n"), Err(StoreError::Exists { .. })));
        let mut held = Held::open(&path, "me", Duration::ZERO).unwrap();
        fs::write(&path, "unit: edited\n").unwrap();
        assert!(matches!(held.write("unit: C\n"), Err(StoreError::Changed { .. })));
        assert_eq!(fs::read_to_string(&path).unwrap(), "unit: edited\n");
        fs::remove_file(&path).unwrap();
        assert!(matches!(held.write("unit: C\n"), Err(StoreError::Missing { .. })));
    }

    #[test]
    fn a_drive_without_locks_still_refuses_to_write_over_a_change() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("job.yaml");
        create(&path, "unit: A\n").unwrap();
        for error in [io::ErrorKind::Unsupported.into(), io::Error::from_raw_os_error(37)] {
            if error.raw_os_error().is_some() && !cfg!(target_os = "linux") {
                continue;
            }
            let error = Mutex::new(Some(error));
            let refuse = |_: &File| Err(TryLockError::Error(error.lock().unwrap().take().unwrap()));
            assert!(take_lock(&path, &path, "me", Duration::ZERO, refuse).unwrap().is_none());
        }
        let mut held = Held::open(&path, "me", Duration::ZERO).unwrap();
        held.lock = None;
        fs::write(&path, "unit: B\n").unwrap();
        assert!(matches!(held.write("unit: C\n"), Err(StoreError::Changed { .. })));
        held.reread().unwrap();
        held.write("unit: C\n").unwrap();
        assert_eq!(fs::read_to_string(&path).unwrap(), "unit: C\n");
    }

    #[test]
    fn what_a_killed_process_left_is_cleared_away_and_no_more() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("job.yaml");
        create(&path, "unit: A\n").unwrap();
        let left = dir.path().join(".job.yaml.halfsplit-Ab12.new");
        let other = dir.path().join(".other.yaml.halfsplit-Ab12.new");
        fs::write(&left, "unit: half").unwrap();
        fs::write(&other, "unit: half").unwrap();
        fs::write(lock_path(&path), "process 1").unwrap();
        drop(Held::open(&path, "me", Duration::ZERO).unwrap());
        assert!(!left.exists() && other.exists() && !lock_path(&path).exists());
    }

    #[cfg(unix)]
    #[test]
    fn a_link_stays_a_link_and_the_mode_stays() {
        use std::os::unix::fs::PermissionsExt;
        let dir = tempfile::tempdir().unwrap();
        let (real, link) = (dir.path().join("real.yaml"), dir.path().join("link.yaml"));
        create(&real, "unit: A\n").unwrap();
        fs::set_permissions(&real, fs::Permissions::from_mode(0o640)).unwrap();
        std::os::unix::fs::symlink(&real, &link).unwrap();
        Held::open(&link, "me", Duration::ZERO).unwrap().write("unit: B\n").unwrap();
        assert!(fs::symlink_metadata(&link).unwrap().is_symlink());
        assert_eq!(fs::read_to_string(&real).unwrap(), "unit: B\n");
        assert_eq!(fs::metadata(&real).unwrap().permissions().mode() & 0o777, 0o640);
    }
}
