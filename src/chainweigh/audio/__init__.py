"""The one array convention, files and resampling."""
