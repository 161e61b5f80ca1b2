"""The compiled kernels if the install could build them, else nothing and the twins serve."""

from importlib import import_module
from typing import Any

import numpy as np
from numpy.typing import NDArray

try:
    _native: Any = import_module("chainweigh.kernels._native")
except ImportError:  # no compiler at install time
    _native = None

compiled: bool = _native is not None
ffi: Any = _native.ffi if compiled else None
lib: Any = _native.lib if compiled else None


_C_TYPES = {
    np.dtype(kind): text
    for kind, text in (
        (np.float32, "float[]"),
        (np.float64, "double[]"),
        (np.int32, "int32_t[]"),
        (np.int64, "int64_t[]"),
        (np.bool_, "uint8_t[]"),
    )
}


LINE_FLOATS = 16


def pointer(array: NDArray[Any]) -> Any:
    """C pointer to the first item of a C-contiguous array (float32, float64, int32, int64, bool).

    It keeps the array: one made for the call alone lives until the kernel is done with it.
    """
    if not array.flags.c_contiguous:
        raise ValueError("a kernel was handed an array that is not C-contiguous")
    return ffi.from_buffer(_C_TYPES[array.dtype], array)


def line_aligned(n_floats: int) -> NDArray[np.float32]:
    """Room for float32 that begins on a line of the CPU's cache: rows of a line each lie in one."""
    room = np.empty(n_floats + LINE_FLOATS, np.float32)
    start = -room.ctypes.data // room.itemsize % LINE_FLOATS
    return room[start : start + n_floats]
