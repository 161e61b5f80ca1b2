"""Chain files: ordered stages, levels relative to the programme, variants."""
