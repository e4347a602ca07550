"""Figures and verdicts as they are printed."""

from benchlog.model.printed import plain, with_prefix, with_u
from benchlog.model.step import PointVerdict

POINT_WORDS = {
    PointVerdict.WITHIN: "within limit",
    PointVerdict.DOUBTFUL: "doubtful",
    PointVerdict.OUTSIDE: "outside limit",
    PointVerdict.NONE: "no judgement",
}

__all__ = ["POINT_WORDS", "plain", "with_prefix", "with_u"]
