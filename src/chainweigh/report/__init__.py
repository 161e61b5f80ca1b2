"""Page, tables, JSON and settings sheet of a run: formats results, measures nothing."""
