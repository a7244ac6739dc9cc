//! Files in folders, written so that none is ever half there.

use std::{
    fs::{self, File},
    io::{self, Read, Seek, SeekFrom, Write},
    path::{Path, PathBuf},
    time::{SystemTime, UNIX_EPOCH},
};

use model::Instant;
use uuid::Uuid;

use super::{Shelf, Written};

/// What a name begins with while its file is being written.
const UNFINISHED: char = '.';

/// How often a file is written at most whose folder is taken away meanwhile.
const TRIES: usize = 5;

/// A folder of folders of files.
#[derive(Clone, Debug)]
pub(super) struct Folder(PathBuf);

impl Folder {
    pub(super) fn new(root: PathBuf) -> Self {
        Self(root)
    }
}

impl Shelf for Folder {
    fn put(&self, folder: &str, name: &str, bytes: &[u8]) -> io::Result<()> {
        put(&self.0.join(folder), name, bytes)
    }

    fn read(&self, folder: &str, name: &str, first: u64, most: usize) -> io::Result<Vec<u8>> {
        let (mut file, mut bytes) = (File::open(self.0.join(folder).join(name))?, Vec::with_capacity(most));
        file.seek(SeekFrom::Start(first))?;
        file.take(u64::try_from(most).unwrap_or(u64::MAX)).read_to_end(&mut bytes)?;
        Ok(bytes)
    }

    fn length(&self, folder: &str, name: &str) -> io::Result<Option<u64>> {
        none_where_absent(fs::metadata(self.0.join(folder).join(name)).map(|found| Some(found.len())))
    }

    fn list(&self, folder: &str) -> io::Result<Vec<(String, u64)>> {
        none_where_absent(list(&self.0.join(folder)))
    }

    fn below(&self, folder: &str) -> io::Result<Vec<Written>> {
        let mut found = Vec::new();
        gather(&self.0.join(folder), "", &mut found)?;
        Ok(found)
    }

    fn is_used(&self, folder: &str) -> io::Result<bool> {
        none_where_absent(fs::read_dir(self.0.join(folder)).map(|mut entries| entries.next().is_some()))
    }

    fn remove(&self, folder: &str, name: &str) -> io::Result<()> {
        none_where_absent(fs::remove_file(self.0.join(folder).join(name)))
    }

    /// Those above it that are empty then are removed, too.
    fn remove_all(&self, folder: &str) -> io::Result<()> {
        let folder = self.0.join(folder);
        none_where_absent(fs::remove_dir_all(&folder))?;
        let above = folder.ancestors().skip(1).take_while(|above| **above != *self.0);
        // One that is not empty, or is being filled, stays.
        let _ = above.map_while(|above| fs::remove_dir(above).ok()).count();
        Ok(())
    }
}

fn put(folder: &Path, name: &str, bytes: &[u8]) -> io::Result<()> {
    // Whoever drops another sending of the same blob may take the folder away before the file has its name in it.
    let is_gone = |kept: &io::Result<()>| kept.as_ref().is_err_and(|e| e.kind() == io::ErrorKind::NotFound);
    let mut kept = written(folder, name, bytes);
    for _ in 1..TRIES {
        if is_gone(&kept) {
            kept = written(folder, name, bytes);
        }
    }
    kept?;
    // The names, up to the folder that was there.
    folder.ancestors().take(5).try_for_each(|folder| match File::open(folder) {
        Ok(folder) => folder.sync_all(),
        Err(_) => Ok(()),
    })
}

fn written(folder: &Path, name: &str, bytes: &[u8]) -> io::Result<()> {
    fs::create_dir_all(folder)?;
    let unfinished = folder.join(format!("{UNFINISHED}{}", Uuid::new_v4().hyphenated()));
    let mut file = File::create(&unfinished)?;
    let written = file.write_all(bytes).and_then(|()| file.sync_all());
    let kept = written.and_then(|()| fs::rename(&unfinished, folder.join(name)));
    if kept.is_err() {
        // It is of no use to anybody; if it cannot go now, it goes with its folder.
        let _ = fs::remove_file(&unfinished);
    }
    kept
}

fn list(folder: &Path) -> io::Result<Vec<(String, u64)>> {
    let mut files = Vec::new();
    for entry in fs::read_dir(folder)? {
        let entry = entry?;
        let name = entry.file_name().to_string_lossy().into_owned();
        if !name.starts_with(UNFINISHED) {
            files.push((name, entry.metadata()?.len()));
        }
    }
    Ok(files)
}

/// All files of a folder and those below it; what goes away meanwhile is passed over.
fn gather(folder: &Path, path: &str, found: &mut Vec<Written>) -> io::Result<()> {
    for entry in none_where_absent(fs::read_dir(folder).map(Some))?.into_iter().flatten() {
        let entry = entry?;
        let name = format!("{path}{}", entry.file_name().to_string_lossy());
        let Some(about) = none_where_absent(entry.metadata().map(Some))? else { continue };
        if about.is_dir() {
            gather(&entry.path(), &format!("{name}/"), found)?;
        } else {
            found.push(Written { name, at: instant(about.modified()?) });
        }
    }
    Ok(())
}

fn instant(time: SystemTime) -> Instant {
    let since = time.duration_since(UNIX_EPOCH).unwrap_or_default();
    Instant::from_micros(i64::try_from(since.as_micros()).unwrap_or(i64::MAX))
}

fn none_where_absent<T: Default>(result: io::Result<T>) -> io::Result<T> {
    match result {
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(T::default()),
        other => other,
    }
}
