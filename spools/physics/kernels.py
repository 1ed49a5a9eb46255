"""Compiled loops: Numba's ``njit`` with a cache that follows the source.

Numba stores compiled code by the file of each function, so a change in another module that a kernel calls or
inlines would leave the old code in use. Here the folder of the cache is named by a digest of all modules of
the kernel's package: a change anywhere in it means another folder, and equal sources share one, wherever
they are installed. The code may lie where nothing can be written.
"""

import os
import sys
from collections.abc import Callable, Iterator
from functools import cache
from hashlib import sha256
from pathlib import Path
from typing import Any

import llvmlite.binding as llvm
import numba
from numba.core.caching import UserProvidedCacheLocator

config: Any = numba.config
# LLVM checks before a loop that its arrays do not overlap, and gives vector instructions up where that takes
# more than 8 comparisons; a loop over members reads and writes a dozen arrays.
llvm.set_option("loadworthy", "-runtime-memory-check-threshold=128")


def _possible_folders() -> Iterator[Path]:
    """The user's cache folder, else the shop's data folder: a service's user may have no home."""
    if home := os.environ.get("HOME"):
        yield Path(os.environ.get("XDG_CACHE_HOME") or f"{home}/.cache") / "loadworthy"
    if data := os.environ.get("LOADWORTHY_DATA"):
        yield Path(data) / "cache"


def _usable(folder: Path) -> bool:
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    except OSError:
        return False
    return os.access(folder, os.W_OK)


@cache
def package_folder(package: Path) -> str:
    """The name of the folder for the kernels of a package, such as "gcode-1f0e..."."""
    digest = sha256(numba.__version__.encode() + Path(__file__).read_bytes())
    for module in sorted(package.glob("*.py")):
        digest.update(module.name.encode() + b"\0" + module.read_bytes() + b"\0")
    return f"{package.name}-{digest.hexdigest()[:32]}"


class PackageCacheLocator(UserProvidedCacheLocator):
    """Places compiled code by the content of a package instead of its path."""

    @classmethod
    def get_suitable_cache_subpath(cls, py_file: str) -> str:
        return package_folder(Path(py_file).resolve().parent)


# NUMBA_CACHE_DIR is Numba's own variable. Without any usable folder each process compiles for itself.
config.CACHE_DIR = config.CACHE_DIR or str(next(filter(_usable, _possible_folders()), ""))
config.CACHE_LOCATOR_CLASSES = f"{__name__}.{PackageCacheLocator.__name__}"


def kernel(function: Callable[..., Any] | None = None, /, **options: Any) -> Any:
    """A decorator that compiles a function at its first call, or loads the code that was compiled earlier.

    options: those of ``numba.njit``. Division follows numpy (by 0 gives an infinite number): a check of each
    divisor would keep a loop from becoming vector instructions.
    """
    return numba.njit(function, cache=bool(config.CACHE_DIR), error_model="numpy", **options)


def are_compiled(package: Path) -> bool:
    """Whether all kernels of a package have been compiled by this version of Python."""
    return bool(config.CACHE_DIR) and _note(package).exists()


def note_compiled(package: Path) -> None:
    """Records that all kernels of a package have been compiled."""
    if config.CACHE_DIR:
        _note(package).touch()


def _note(package: Path) -> Path:
    return Path(config.CACHE_DIR, package_folder(package), f"complete.{sys.implementation.cache_tag}")
