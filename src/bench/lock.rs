//! Keeps two processes of one machine from driving the same instrument.
//!
//! One lock file an address, held as long as the bench is open. Instruments of the simulated bench
//! live inside one process and need none.

use std::fs::{File, TryLockError};
use std::path::PathBuf;

use beamwarden_drivers::transport::Address;
use sha2::{Digest, Sha256};

use super::error::BenchError;
use super::plan::BenchPlan;

/// The locks of one bench; dropping them frees the instruments.
#[derive(Debug)]
pub(super) struct Locks {
    _files: Vec<File>,
}

impl Locks {
    /// Locks every address of a plan, before anything is opened.
    pub(super) fn take(plan: &BenchPlan) -> Result<Self, BenchError> {
        let mut addresses: Vec<String> = places(plan).collect();
        // Several roles may share one address; and all processes lock in one order.
        addresses.sort();
        addresses.dedup();
        let files = addresses.iter().map(|address| lock(address)).collect::<Result<_, _>>()?;
        Ok(Locks { _files: files })
    }
}

/// The places of a plan's hardware.
fn places(plan: &BenchPlan) -> impl Iterator<Item = String> {
    let real = plan.instruments.iter().filter(|one| one.address != Address::Simulated);
    real.map(|one| place_of(&one.address))
}

impl BenchPlan {
    /// The first address of hardware that another bench drives too, whatever both are called.
    #[must_use]
    pub fn shares_hardware_with(&self, other: &BenchPlan) -> Option<String> {
        let own: Vec<String> = places(self).collect();
        places(other).find(|place| own.contains(place))
    }
}

/// What two processes would both drive: the device or the socket, whatever its line settings.
fn place_of(address: &Address) -> String {
    match address {
        Address::Serial(line) => device(&line.path),
        Address::Usbtmc(path) => device(path),
        other => other.to_string(),
    }
}

/// A device by its own name, whatever link leads to it: `/dev/serial/by-id/…` is one.
fn device(path: &str) -> String {
    std::fs::canonicalize(path)
        .map_or_else(|_| path.to_string(), |device| device.display().to_string())
}

fn lock_path(address: &str) -> PathBuf {
    let hash: String =
        Sha256::digest(address).iter().take(8).map(|byte| format!("{byte:02x}")).collect();
    std::env::temp_dir().join(format!("beamwarden-{hash}.lock"))
}

fn lock(address: &str) -> Result<File, BenchError> {
    let failed = |error: std::io::Error| BenchError::Lock {
        address: address.into(),
        why: error.to_string(),
    };
    let path = lock_path(address);
    // Nothing is ever written into it: the folder is everybody's.
    let file = File::options().append(true).create(true).open(&path).map_err(failed)?;
    match file.try_lock() {
        Ok(()) => Ok(file),
        Err(TryLockError::WouldBlock) => Err(BenchError::InUse(address.into())),
        Err(TryLockError::Error(error)) => Err(failed(error)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[cfg(unix)]
    #[test]
    fn a_link_to_a_device_is_that_device() {
        let folder = tempfile::tempdir().unwrap();
        let (device, link) = (folder.path().join("ttyX"), folder.path().join("by-id"));
        std::fs::write(&device, "").unwrap();
        std::os::unix::fs::symlink(&device, &link).unwrap();
        for kind in ["serial://", "usbtmc://"] {
            let place = |path: &std::path::Path| {
                place_of(&format!("{kind}{}", path.display()).parse::<Address>().unwrap())
            };
            assert_eq!(place(&device), place(&link));
            assert_ne!(place(&device), place(&folder.path().join("other")));
        }
    }

    #[test]
    fn one_holder_at_a_time() {
        let address = format!("tcp://127.0.0.1:1#test-{}", std::process::id());
        let held = lock(&address).unwrap();
        assert!(matches!(lock(&address), Err(BenchError::InUse(named)) if named == address));
        drop(held);
        lock(&address).unwrap();
        std::fs::remove_file(lock_path(&address)).unwrap();
    }
}
