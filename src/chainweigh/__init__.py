"""Weigh processing chains: loudness gained against distortion added, level-matched."""

__version__ = "0.1.0"
