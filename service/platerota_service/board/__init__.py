"""The pages people read in a browser or print: the board of a plan, two plans side by side, the list of plans, the sheets for the floor,
questions by form and their answers.
"""

from platerota_service.board.asked_question import AskedQuestion
from platerota_service.board.board_page import board_page
from platerota_service.board.comparing import comparison_page
from platerota_service.board.form_pages import (
    EVERY_KIND,
    LEVERS_FIELDS,
    PROMISE_FIELDS,
    RUSH_FIELDS,
    Asked,
    levers_page,
    promise_page,
    rush_page,
)
from platerota_service.board.frame import ANYBODY, Page, Viewer
from platerota_service.board.load_sheets import load_sheets_page
from platerota_service.board.machine_sheets import machine_sheets_page
from platerota_service.board.notices import problem_page, sign_in_page
from platerota_service.board.plan_list import PlanRow, plans_page
from platerota_service.board.question_pages import QUESTION_PAGES, question_page
from platerota_service.board.standing import Standing
from platerota_service.board.views import NoSuchPart

__all__ = [
    "ANYBODY", "EVERY_KIND", "LEVERS_FIELDS", "PROMISE_FIELDS", "QUESTION_PAGES", "RUSH_FIELDS", "Asked", "AskedQuestion", "NoSuchPart",
    "Page", "PlanRow", "Standing", "Viewer", "board_page", "comparison_page", "levers_page", "load_sheets_page", "machine_sheets_page",
    "plans_page", "problem_page", "promise_page", "question_page", "rush_page", "sign_in_page",
]
