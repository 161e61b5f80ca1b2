"""The chains that ship with chainweigh, as package data."""
