"""Property tests here first import scipy inside a call, so a time limit per example means nothing."""

from hypothesis import settings

settings.register_profile("no-deadline", deadline=None)
settings.load_profile("no-deadline")
