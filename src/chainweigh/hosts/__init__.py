"""Plug-ins of open formats, each run in a worker process of its own."""
