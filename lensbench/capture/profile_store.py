"""Where print profiles are kept: by name in the user's data folder, or in a file that the user names."""

import json
import os
import re
import sys
from dataclasses import fields
from pathlib import Path
from typing import Any, Final

import numpy as np

from lensbench.errors import SettingError, TextFileError
from lensbench.outfiles import write_whole
from lensbench.records import PrintProfile
from lensbench.textfiles import read_json

__all__ = ["data_folder", "keep_profile", "kept_profile", "profile_path"]

_NAME: Final = re.compile(r"[\w][\w .+-]{0,59}")
_LARGEST_BYTES: Final = 1_000_000
_ARRAYS: Final = ("frequency_cymm", "mtf", "mtf_sd")


def data_folder() -> Path:
    """Give the folder for this program's data, as the system's habits have it; it need not exist."""
    home = Path.home()
    if sys.platform == "win32":
        base = Path(os.environ.get("APPDATA") or home / "AppData" / "Roaming")
    elif sys.platform == "darwin":
        base = home / "Library" / "Application Support"
    else:
        base = Path(os.environ.get("XDG_DATA_HOME") or home / ".local" / "share")
    return base / "lensbench"


def profile_path(name: str) -> Path:
    """Give the file of a profile: a name lies in the data folder, a path that ends in .json is itself.

    Raises
    ------
    SettingError
        The name holds other signs than letters, digits, spaces and . + - _, or is longer than 60.
    """
    if name.endswith(".json"):
        return Path(name)
    if not _NAME.fullmatch(name):
        raise SettingError(
            f"print profile '{name}': use letters, digits, spaces and . + - _, or a path to a .json file"
        )
    return data_folder() / "prints" / f"{name}.json"


def keep_profile(profile: PrintProfile, name: str) -> Path:
    """Keep a profile under a name, in place of one that is there; give the file.

    Raises
    ------
    SettingError
        The name cannot be used, or the file cannot be written.
    """
    path = profile_path(name)
    if path.is_symlink() or path.exists():
        _check_other(path)
    plain = {item.name: _plain(getattr(profile, item.name)) for item in fields(PrintProfile)}
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_whole(path, (json.dumps(plain, indent=1) + "\n").encode())
    except OSError as error:
        raise SettingError(f"{path}: the print profile cannot be kept there ({error.strerror})") from error
    return path


def _check_other(path: Path) -> None:
    """Refuse to write over a file that is no print profile."""
    try:
        kept_profile(str(path))
    except SettingError as error:
        raise SettingError(f"{path} is there already and is no print profile; name another file") from error


def _plain(value: object) -> object:
    return [round(float(figure), 6) for figure in value] if isinstance(value, np.ndarray) else value


def kept_profile(name: str) -> PrintProfile:
    """Take up a kept profile.

    Raises
    ------
    SettingError
        There is none of this name, or the file is no print profile.
    """
    path = profile_path(name)
    if not path.exists():
        raise SettingError(f"no print profile '{name}'{_others(path)}; make one with --keep-print")
    try:
        plain = read_json(path, most_bytes=_LARGEST_BYTES)
    except TextFileError as error:
        raise SettingError(f"{path}: the print profile cannot be read: {error}") from error
    try:
        return _checked(plain)
    except (KeyError, TypeError, ValueError) as error:
        raise SettingError(
            f"{path}: this is no print profile ({error}); make it anew with --keep-print"
        ) from error


def _others(path: Path) -> str:
    names = sorted(other.stem for other in path.parent.glob("*.json")) if path.parent.is_dir() else []
    return f" (there are: {', '.join(names[:20])})" if names else ""


def _checked(plain: dict[str, Any]) -> PrintProfile:
    arrays = {name: np.array(plain[name], dtype=np.float64) for name in _ARRAYS}
    frequency, mtf, sd = (arrays[name] for name in _ARRAYS)
    sigma_mm, sigma_sd_mm = float(plain["edge_sigma_mm"]), float(plain["edge_sigma_sd_mm"])
    if not (frequency.ndim == 1 and 3 <= frequency.size == mtf.size == sd.size):
        raise ValueError("its columns differ in length")
    if not (np.isfinite(frequency).all() and frequency[0] == 0.0 and (np.diff(frequency) > 0.0).all()):
        raise ValueError("its frequencies do not rise from 0")
    if not ((mtf >= 0.0).all() and (mtf <= 1.0).all() and (sd >= 0.0).all() and np.isfinite(sd).all()):
        raise ValueError("its MTF does not lie between 0 and 1")
    if not (0.0 < sigma_mm < 10.0 and 0.0 <= sigma_sd_mm < 10.0):
        raise ValueError("its edge sigma is out of range")
    return PrintProfile(
        name=str(plain["name"])[:80],
        edge_sigma_mm=sigma_mm,
        edge_sigma_sd_mm=sigma_sd_mm,
        made_from=str(plain["made_from"])[:300],
        **arrays,
    )
