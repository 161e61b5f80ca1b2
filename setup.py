"""Builds the C kernels; everything else is declared in pyproject.toml."""

from setuptools import setup

setup(
    cffi_modules=["src/chainweigh/kernels/build_native.py:ffibuilder"],
    options={"bdist_wheel": {"py_limited_api": "cp311"}},
)
