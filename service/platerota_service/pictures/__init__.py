"""What people see of a plan: the drawn week and its load against capacity (SVG), and the written week (terminal text)."""

from platerota_service.pictures.gantt import gantt_svg
from platerota_service.pictures.load_chart import load_svg
from platerota_service.pictures.week_text import print_comparison, print_week

__all__ = ["gantt_svg", "load_svg", "print_comparison", "print_week"]
