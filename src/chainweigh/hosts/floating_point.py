"""The processor's floating-point mode, which a plug-in may leave changed behind it."""

import ctypes

import numpy as np

_ENVIRONMENT_BYTES = 256  # larger than fenv_t of any system


class FloatingPointMode:
    """The mode at the time it is made, to go back to."""

    def __init__(self) -> None:
        self._libm = ctypes.CDLL(None)
        self._saved = ctypes.create_string_buffer(_ENVIRONMENT_BYTES)
        self._libm.fegetenv(self._saved)
        self._was = _arithmetic()

    def restore(self) -> bool:
        """Go back; True where rounding or the smallest numbers had changed."""
        changed = _arithmetic() != self._was
        self._libm.fesetenv(self._saved)
        return changed


def _arithmetic() -> tuple[bytes, bytes, bytes]:
    """What single-precision arithmetic makes of a third of either sign and of a subnormal."""
    one, tiny = np.ones(4, dtype=np.float32), np.full(4, 1e-40, dtype=np.float32)
    thirds = one / np.float32(3), one / np.float32(-3)
    return thirds[0].tobytes(), thirds[1].tobytes(), (tiny * np.float32(0.5)).tobytes()
