"""Property tests draw the same examples in every run, and none is failed for the speed of the machine it runs on."""

from hypothesis import settings

settings.register_profile("repeatable", derandomize=True, deadline=None)
settings.load_profile("repeatable")
