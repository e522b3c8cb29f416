"""Workbooks and CSV files: a request read from them by the checks of JSON, a template to fill, a plan written into them."""

from platerota_service.workbook.columns import request_sheets, sheet_named
from platerota_service.workbook.csv_writing import plan_csv, plan_csvs, rows_csv, template_csv, template_csvs
from platerota_service.workbook.faults import SHEET_CODES, SheetFault
from platerota_service.workbook.plan_tables import PLAN_TABLES, PlanBook, plan_table
from platerota_service.workbook.plan_writing import plan_workbook
from platerota_service.workbook.reading import (
    SOLVE_SECONDS,
    SheetRequest,
    SheetsRefused,
    SheetsTooLong,
    StoredShop,
    read_orders,
    read_sheets,
)
from platerota_service.workbook.request_writing import problems_workbook, template_workbook

__all__ = [
    "PLAN_TABLES", "SHEET_CODES", "SOLVE_SECONDS", "PlanBook", "SheetFault", "SheetRequest", "SheetsRefused", "SheetsTooLong", "StoredShop",
    "plan_csv", "plan_csvs", "plan_table", "plan_workbook", "problems_workbook", "read_orders", "read_sheets", "request_sheets", "rows_csv",
    "sheet_named", "template_csv", "template_csvs", "template_workbook",
]
