"""The demo weeks: two small shops of our own, planned for real and shown as text and as a picture."""

from platerota_service.demo.show import run
from platerota_service.demo.weeks import WEEKS, request_text

__all__ = ["WEEKS", "request_text", "run"]
