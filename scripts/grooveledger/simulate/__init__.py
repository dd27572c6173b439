"""A forward model of test-record captures: from the groove to the file, with the truth beside it.

It shares no analysis code, so that what the analysis finds can be held to what was put in.
"""

from grooveledger.simulate.capture import plan_capture, render_capture, simulate_capture
from grooveledger.simulate.conditions import Conditions
from grooveledger.simulate.files import write_capture
from grooveledger.simulate.stylus import StylusTruth
from grooveledger.simulate.truth import CaptureTruth, TrackTruth

__all__ = [
    "CaptureTruth",
    "Conditions",
    "StylusTruth",
    "TrackTruth",
    "plan_capture",
    "render_capture",
    "simulate_capture",
    "write_capture",
]
