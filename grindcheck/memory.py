"""How much memory this computer has left."""

import ctypes
import os
import sys
from pathlib import Path

_GROUP = Path("/sys/fs/cgroup")
_INFO = Path("/proc/meminfo")


def available_bytes() -> int | None:
    """Return the memory that new processes can have without others being swapped out.

    Returns
    -------
    int or None
        Linux: the kernel's own estimate, or what is left of the limit of this control group if that is less.
        Windows: free physical memory. macOS, which doesn't tell: half of the physical memory. None if the
        system tells nothing.
    """
    if sys.platform == "win32":
        return _windows()
    told = [amount for amount in (_meminfo(_INFO), _group(_GROUP)) if amount is not None]
    return min(told) if told else _half()


def _meminfo(path: Path) -> int | None:
    try:
        lines = path.read_text(encoding="ascii").splitlines()
        [line] = [line for line in lines if line.startswith("MemAvailable:")]
        return int(line.split()[1]) * 1024
    except (OSError, ValueError, IndexError):
        return None


def _group(folder: Path) -> int | None:
    """Return what is left of a control group's limit; its cache of files can be given back."""
    try:
        most = int((folder / "memory.max").read_text(encoding="ascii"))  # "max" is no number: no limit
        used = int((folder / "memory.current").read_text(encoding="ascii"))
        lines = (folder / "memory.stat").read_text(encoding="ascii").splitlines()
        cache = next(int(line.split()[1]) for line in lines if line.startswith("inactive_file "))
    except (OSError, ValueError, IndexError, StopIteration):
        return None
    return max(most - used + cache, 0)


def _half() -> int | None:
    try:
        return os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") // 2
    except (AttributeError, OSError, ValueError):
        return None


class _Status(ctypes.Structure):
    """Windows' MEMORYSTATUSEX."""

    _fields_ = (
        ("length", ctypes.c_ulong), ("load", ctypes.c_ulong), ("total", ctypes.c_ulonglong),
        ("free", ctypes.c_ulonglong), ("total_page", ctypes.c_ulonglong), ("free_page", ctypes.c_ulonglong),
        ("total_virtual", ctypes.c_ulonglong), ("free_virtual", ctypes.c_ulonglong),
        ("extended", ctypes.c_ulonglong),
    )  # fmt: skip


def _windows() -> int | None:
    status = _Status()
    status.length = ctypes.sizeof(status)
    library = getattr(ctypes, "windll", None)
    if library is None or not library.kernel32.GlobalMemoryStatusEx(ctypes.byref(status)):
        return None
    return int(status.free)
