"""Give memory back between stages, so that what one needed is not added to what the next needs."""

from __future__ import annotations

import ctypes
import gc

import pyarrow as pa


def give_back() -> None:
    """Return memory that nothing uses any more to the system, as far as that can be asked for.

    Arrow and the C library keep freed memory for later; the next stage may ask the other of the
    two. Where the C library has no ``malloc_trim`` (it is of glibc), its own is left alone.
    """
    gc.collect()
    pa.default_memory_pool().release_unused()
    try:
        trim = ctypes.CDLL(None).malloc_trim
    except (AttributeError, OSError, TypeError):
        return
    trim(0)
