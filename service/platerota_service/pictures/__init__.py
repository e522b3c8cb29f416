"""What people see of a plan: the drawn week (SVG) and the written one (terminal text)."""

from platerota_service.pictures.gantt import gantt_svg
from platerota_service.pictures.week_text import print_comparison, print_week

__all__ = ["gantt_svg", "print_comparison", "print_week"]
