"""What every kernel's call goes through."""

import gc
import weakref

import numpy as np
import pytest

from chainweigh.kernels import native_library as native

pytestmark = pytest.mark.skipif(not native.compiled, reason="no compiler: the twins serve")


@pytest.mark.parametrize("kind", [np.float32, np.float64, np.int32, np.int64])
def test_a_pointer_keeps_an_array_nobody_else_holds(kind):
    array = np.arange(5, dtype=kind)
    array.flags.writeable = False  # as cached filters are
    alive = weakref.ref(array)
    pointer = native.pointer(array)
    del array
    gc.collect()
    assert alive() is not None
    assert list(pointer) == [0, 1, 2, 3, 4]
    del pointer
    gc.collect()
    assert alive() is None


def test_an_array_with_gaps_is_refused():
    with pytest.raises(ValueError, match="not C-contiguous"):
        native.pointer(np.zeros(6, np.float32)[::2])
