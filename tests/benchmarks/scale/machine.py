"""What the measurements were made on and with; no name of the machine and no path."""

from __future__ import annotations

import importlib.metadata
import os
import platform
import shutil
import subprocess
from pathlib import Path


def describe() -> str:
    """Processor, cores, memory and operating system."""
    cpu = _value(Path("/proc/cpuinfo"), "model name", ":") or platform.machine()
    system = _value(Path("/etc/os-release"), "PRETTY_NAME", "=").strip('"') or platform.system()
    return f"{cpu}, {os.cpu_count()} cores, {memory_mb() / 1024:.0f} GB, {system}"


def memory_mb() -> float:
    """Memory of the machine in MB."""
    return os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 1024**2


def versions(*packages: str) -> str:
    """Python and these packages, with their versions."""
    named = [f"{name} {importlib.metadata.version(name)}" for name in packages]
    return ", ".join([f"Python {platform.python_version()}", *named])


def r_versions(*packages: str) -> str | None:
    """R and these packages, with their versions; None where R or one of the packages is missing."""
    if shutil.which("Rscript") is None:
        return None
    names = ", ".join(f"'{name}'" for name in packages)
    ask = f"cat(paste(c('R', {names}), c(as.character(getRversion()), sapply(c({names}), function(p) "
    ask += "as.character(packageVersion(p)))), collapse = ', '))"
    done = subprocess.run(["Rscript", "-e", ask], capture_output=True, text=True, check=False)
    return done.stdout if done.returncode == 0 else None


def _value(path: Path, name: str, sign: str) -> str:
    if not path.exists():
        return ""
    for line in path.read_text(encoding="utf-8").splitlines():
        key, _, value = line.partition(sign)
        if key.strip() == name:
            return value.strip()
    return ""
