//! Figures of the machine: free disk space, temperature, memory. Each is absent where the system does not give it.

use std::fs;
use std::io;
use std::path::Path;

use serde::{Deserialize, Serialize};

/// Free bytes on the disk that holds a file, or will: asked of the nearest folder above it that exists.
///
/// # Errors
/// Where the system does not say.
pub(crate) fn free_bytes(path: &Path) -> io::Result<u64> {
    #[cfg(unix)]
    {
        let folder = path.ancestors().find(|folder| folder.is_dir());
        let stat = rustix::fs::statvfs(folder.unwrap_or(Path::new(".")))?;
        Ok(stat.f_bavail.saturating_mul(stat.f_frsize))
    }
    #[cfg(not(unix))]
    {
        let _ = path;
        Err(io::Error::other("free space is not known on this system"))
    }
}

/// Figures of the machine and of this process, under their names in JSON.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub(crate) struct MachineFigures {
    /// The hottest sensor, degrees Celsius.
    pub temperature_c: Option<f64>,
    /// How often the processor was throttled for heat.
    pub throttled: Option<u64>,
    /// Memory of this process, bytes.
    pub memory_bytes: Option<u64>,
}

impl MachineFigures {
    /// The figures now.
    pub(crate) fn read() -> Self {
        Self {
            temperature_c: temperature_c(),
            throttled: throttled(),
            memory_bytes: resident_bytes(),
        }
    }
}

/// The hottest thermal zone, degrees Celsius (Linux).
fn temperature_c() -> Option<f64> {
    let zones = fs::read_dir("/sys/class/thermal").ok()?;
    zones
        .filter_map(|zone| fs::read_to_string(zone.ok()?.path().join("temp")).ok())
        .filter_map(|text| text.trim().parse::<f64>().ok())
        .map(|thousandths| thousandths / 1000.0)
        .reduce(f64::max)
}

/// How often the processor was throttled for heat since the machine started (Linux, where the processor counts it).
fn throttled() -> Option<u64> {
    let text =
        fs::read_to_string("/sys/devices/system/cpu/cpu0/thermal_throttle/core_throttle_count")
            .ok()?;
    text.trim().parse().ok()
}

/// Memory of this process, resident bytes (Linux).
fn resident_bytes() -> Option<u64> {
    let status = fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|line| line.starts_with("VmRSS:"))?;
    let kib: u64 = line.split_whitespace().nth(1)?.parse().ok()?;
    Some(kib * 1024)
}

/// The machine's own name in the network.
pub(crate) fn host_name() -> Option<String> {
    let name = std::fs::read_to_string("/proc/sys/kernel/hostname").ok()?;
    let name = name.trim();
    (!name.is_empty()).then(|| name.to_owned())
}
