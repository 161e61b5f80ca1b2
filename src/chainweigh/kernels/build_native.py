"""cffi build of the C kernels: every native/NAME.c with its prototypes in native/NAME.h.

Headers named common.h or _NAME.h hold what C files share and are not prototypes.

The extension is optional: where no compiler is found the install goes on and the numpy twins
serve. Floating-point contraction is off so that results do not depend on the CPU; errno and traps,
which no kernel reads, and integers that wrap, which Python's own flags ask for and no kernel relies
on, would only keep loops from being vectorised.
"""

import sys
from pathlib import Path

from cffi import FFI

NATIVE = Path(__file__).resolve().parent / "native"

POSIX_FLAGS = [
    "-O3",
    "-std=c99",
    "-ffp-contract=off",
    "-fno-math-errno",
    "-fno-trapping-math",
    "-fno-wrapv",
]
MSVC_FLAGS = ["/O2", "/fp:precise"]


def _prototypes() -> str:
    headers = sorted(p for p in NATIVE.glob("[!_]*.h") if p.name != "common.h")
    return "\n".join(p.read_text(encoding="utf-8") for p in headers)


ffibuilder = FFI()
ffibuilder.cdef(_prototypes())
ffibuilder.set_source(
    "chainweigh.kernels._native",
    "#include <stddef.h>\n#include <stdint.h>\n" + _prototypes(),
    sources=[str(p.relative_to(Path.cwd())) for p in sorted(NATIVE.glob("*.c"))],
    include_dirs=[str(NATIVE)],
    extra_compile_args=MSVC_FLAGS if sys.platform == "win32" else POSIX_FLAGS,
    optional=True,
)
