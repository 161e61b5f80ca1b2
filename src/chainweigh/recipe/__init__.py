"""The winning set saved with relative levels, and applied to other songs."""
