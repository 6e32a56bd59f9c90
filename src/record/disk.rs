//! Files written whole or not at all, and read with a bound. Knows nothing of their content.

use std::fs::{self, File};
use std::io::{Read, Write};
use std::path::{Path, PathBuf};

use super::error::RecordError;

/// Name under which a file is written before it is complete: hidden, of no known ending, and its own
/// for every process, so that two that write the same file do not write into one another's.
pub(super) fn part_path(path: &Path) -> PathBuf {
    let name = path.file_name().map(|name| name.to_string_lossy().into_owned());
    path.with_file_name(format!(".{}.{}.part", name.unwrap_or_default(), std::process::id()))
}

/// Bytes that are free for this process where `path` is.
///
/// # Errors
/// When the system does not say.
pub fn free_bytes(path: &Path) -> Result<u64, RecordError> {
    fs4::available_space(path).map_err(RecordError::io(path, "ask for free space at"))
}

/// Writes `path` through a temporary name, flushed to disk; whoever sees `path` sees all of it.
pub(super) fn write_whole(path: &Path, bytes: &[u8]) -> Result<(), RecordError> {
    with_part(path, |file, part| file.write_all(bytes).map_err(RecordError::io(part, "write")))
}

/// Lets `fill` write the temporary file, then flushes it and gives it its name.
///
/// When `fill` or the disk fails, nothing is left behind and an older `path` stays as it was.
pub(super) fn with_part<T>(
    path: &Path,
    fill: impl FnOnce(&mut File, &Path) -> Result<T, RecordError>,
) -> Result<T, RecordError> {
    let part = part_path(path);
    // Left behind by a crash, or put there to lead elsewhere: what is written must be a new file.
    let _ = fs::remove_file(&part);
    let done =
        File::create_new(&part).map_err(RecordError::io(&part, "create")).and_then(|mut file| {
            let value = fill(&mut file, &part)?;
            file.sync_all().map_err(RecordError::io(&part, "flush"))?;
            fs::rename(&part, path).map_err(RecordError::io(path, "name"))?;
            Ok(value)
        });
    if done.is_err() {
        // Best effort: the hidden name marks what stays as unfinished.
        let _ = fs::remove_file(&part);
    }
    done
}

/// Makes the names in a folder durable: a rename is only on disk once its folder is.
pub(super) fn sync_folder(path: &Path) -> Result<(), RecordError> {
    let folder = File::open(path).map_err(RecordError::io(path, "open"))?;
    folder.sync_all().map_err(RecordError::io(path, "flush"))
}

/// Reads up to `limit` bytes of `path`.
pub(super) fn read_bounded(path: &Path, limit: u64) -> Result<Vec<u8>, RecordError> {
    let file = File::open(path).map_err(RecordError::io(path, "open"))?;
    let mut bytes = Vec::new();
    let reading = file.take(limit.saturating_add(1)).read_to_end(&mut bytes);
    reading.map_err(RecordError::io(path, "read"))?;
    if bytes.len() as u64 > limit {
        return Err(RecordError::content(path, format!("is longer than {limit} bytes")));
    }
    Ok(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[cfg(unix)]
    #[test]
    fn a_link_in_a_run_folder_does_not_lead_the_writer_elsewhere() {
        let folder = tempfile::tempdir().unwrap();
        let other = folder.path().join("other");
        fs::write(&other, "precious").unwrap();
        let path = folder.path().join("report.html");
        std::os::unix::fs::symlink(&other, &path).unwrap();
        std::os::unix::fs::symlink(&other, part_path(&path)).unwrap();
        write_whole(&path, b"page").unwrap();
        assert_eq!(fs::read(&other).unwrap(), b"precious");
        assert_eq!(fs::read(&path).unwrap(), b"page");
        assert!(!path.is_symlink());
    }
}
