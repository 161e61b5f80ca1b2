"""The command line: parse, call, print."""


def main() -> None:
    raise SystemExit(0)
