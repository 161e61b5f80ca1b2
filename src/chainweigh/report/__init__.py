"""Page, tables, JSON and settings sheet of a run: formats results, measures nothing."""

from chainweigh.report.page import write_report
from chainweigh.report.ranking_csv import write_ranking_csv
from chainweigh.report.results_json import load_results, results_schema, write_results
from chainweigh.report.settings_sheet import settings_sheet
from chainweigh.report.terminal import ranking_table

__all__ = [
    "load_results",
    "ranking_table",
    "results_schema",
    "settings_sheet",
    "write_ranking_csv",
    "write_report",
    "write_results",
]
