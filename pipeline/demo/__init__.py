"""The demonstration: an invented association whose truth is known.

Everything it writes is invented: the Veldrune Valley and its places, members,
weather stations, bees and figures. Nothing in it is evidence about insulation.
"""

from __future__ import annotations

from pipeline.demo.extent import DemoSize
from pipeline.demo.truth import ComparedEffect, DemoTruth, compare_with_truth, read_truth
from pipeline.demo.write import write_demo

DEMO_SIZES = {size.value: size for size in DemoSize}
"""Sizes by the words the command line takes."""

__all__ = [
    "DEMO_SIZES",
    "ComparedEffect",
    "DemoSize",
    "DemoTruth",
    "compare_with_truth",
    "read_truth",
    "write_demo",
]
