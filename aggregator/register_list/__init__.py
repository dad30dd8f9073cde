"""The register list, generated from the map and never kept by hand; and poll plans and changes of a map."""

from aggregator.register_list.about import Lines, about
from aggregator.register_list.changes import CHANGE_COLUMNS, change_rows, changes_json
from aggregator.register_list.choice import Choice, TooWide, Unknown
from aggregator.register_list.page import html_text
from aggregator.register_list.polls import PLAN_COLUMNS, PlannedRead, cost
from aggregator.register_list.rows import RegisterList, functions_of
from aggregator.register_list.saved import saved_map
from aggregator.register_list.texts import csv_text, json_text, markdown_text, plan_csv_text

__all__ = [
    "CHANGE_COLUMNS",
    "PLAN_COLUMNS",
    "Choice",
    "Lines",
    "PlannedRead",
    "RegisterList",
    "TooWide",
    "Unknown",
    "about",
    "change_rows",
    "changes_json",
    "cost",
    "csv_text",
    "functions_of",
    "html_text",
    "json_text",
    "markdown_text",
    "plan_csv_text",
    "saved_map",
]
