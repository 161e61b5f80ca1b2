"""Offline rendering: run the stages, align, match loudness, keep what was finished."""
