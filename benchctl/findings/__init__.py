"""Causes of what a run showed, from its log alone: `find` gives the ranked list."""

from benchctl.findings.find import find, ranking_of, wants_hunt

__all__ = ["find", "ranking_of", "wants_hunt"]
