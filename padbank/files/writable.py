"""May anything be written in a folder? Asked without writing.

A card's lock makes its whole volume read-only. POSIX tells by ``statvfs``
(``ST_RDONLY``, IEEE Std 1003.1), Windows by ``GetVolumeInformationW``
(``FILE_READ_ONLY_VOLUME``, 0x00080000, Microsoft's documentation of that call).

Functions: ``why_not_writable``, ``volume_is_locked``.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

LOCKED = "the card is write-protected: slide its lock open, or choose another folder"
NOT_ALLOWED = "you may not write there: change the folder's permissions, or choose another folder"
FILE_READ_ONLY_VOLUME = 0x00080000


def why_not_writable(folder: Path) -> str | None:
    """Why nothing can be written in ``folder``, or in the nearest folder above it that is there; None when it seems to go."""
    there = next((f for f in (folder, *folder.parents) if f.is_dir()), None)
    if there is None:
        return None
    if volume_is_locked(there):
        return LOCKED
    if sys.platform != "win32" and not os.access(there, os.W_OK | os.X_OK):  # Windows answers yes for every folder
        return NOT_ALLOWED
    return None


def volume_is_locked(folder: Path) -> bool:
    try:
        if sys.platform == "win32":
            return _windows_volume_is_locked(folder)
        return bool(os.statvfs(folder).f_flag & os.ST_RDONLY)
    except OSError:
        return False  # what cannot be asked is tried


def _windows_volume_is_locked(folder: Path) -> bool:
    import ctypes

    kernel = ctypes.windll.kernel32  # type: ignore[attr-defined,unused-ignore]
    flags = ctypes.c_ulong(0)
    root = os.path.join(os.path.splitdrive(os.path.abspath(folder))[0], "\\")
    answered = kernel.GetVolumeInformationW(ctypes.c_wchar_p(root), None, 0, None, None, ctypes.byref(flags), None, 0)
    return bool(answered) and bool(flags.value & FILE_READ_ONLY_VOLUME)
