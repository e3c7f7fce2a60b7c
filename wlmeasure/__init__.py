"""Root canal working length from radiographs, with its uncertainty and where every number came from.

The names below are the public ones. They are loaded when first used, so that ``import wlmeasure`` costs nothing.
"""

from __future__ import annotations

from importlib import import_module

__version__ = "0.1.0"

TYPE_CHECKING = False  # type checkers take it for true; importing typing for it costs 4 ms of `wlmeasure --help`
if TYPE_CHECKING:
    from wlmeasure.calibration import Calibration, KnownLine, calibrate_lines, calibrate_spacing
    from wlmeasure.decide.electronic import ElectronicLength, ElectronicReading, electronic_length
    from wlmeasure.decide.methods import RadiographicLength, radiographic_length
    from wlmeasure.decide.reconcile import WorkingLength, reconcile
    from wlmeasure.errors import WlmeasureError
    from wlmeasure.flags import Flag
    from wlmeasure.image.radiograph import Radiograph, SpacingClaim
    from wlmeasure.image.reading import read
    from wlmeasure.measure.batch import BendEstimates, fit_many
    from wlmeasure.measure.clicks import ClicksLength, clicks_length
    from wlmeasure.measure.curvature import CurvatureEstimate, measure_curvature
    from wlmeasure.measure.length import LengthEstimate, measure_length
    from wlmeasure.measure.line_arc import LineArc, Noise, fit_line_arc
    from wlmeasure.record.case import Case, load_case, save_case
    from wlmeasure.record.evaluate import CaseResult, evaluate
    from wlmeasure.record.record import LengthRecord
    from wlmeasure.trace.centreline import CanalTrace, given_path, trace_line
    from wlmeasure.trade.instruments import Instrument
    from wlmeasure.trade.tooth import Tooth

_HOMES = {
    "BendEstimates": "measure.batch",
    "Calibration": "calibration",
    "CanalTrace": "trace.centreline",
    "Case": "record.case",
    "CaseResult": "record.evaluate",
    "ClicksLength": "measure.clicks",
    "CurvatureEstimate": "measure.curvature",
    "ElectronicLength": "decide.electronic",
    "ElectronicReading": "decide.electronic",
    "Flag": "flags",
    "Instrument": "trade.instruments",
    "KnownLine": "calibration",
    "LengthEstimate": "measure.length",
    "LengthRecord": "record.record",
    "LineArc": "measure.line_arc",
    "Noise": "measure.line_arc",
    "RadiographicLength": "decide.methods",
    "Radiograph": "image.radiograph",
    "SpacingClaim": "image.radiograph",
    "Tooth": "trade.tooth",
    "WlmeasureError": "errors",
    "WorkingLength": "decide.reconcile",
    "calibrate_lines": "calibration",
    "calibrate_spacing": "calibration",
    "clicks_length": "measure.clicks",
    "electronic_length": "decide.electronic",
    "evaluate": "record.evaluate",
    "fit_line_arc": "measure.line_arc",
    "fit_many": "measure.batch",
    "given_path": "trace.centreline",
    "load_case": "record.case",
    "measure_curvature": "measure.curvature",
    "measure_length": "measure.length",
    "radiographic_length": "decide.methods",
    "read": "image.reading",
    "reconcile": "decide.reconcile",
    "save_case": "record.case",
    "trace_line": "trace.centreline",
}

__all__ = [
    "BendEstimates",
    "Calibration",
    "CanalTrace",
    "Case",
    "CaseResult",
    "ClicksLength",
    "CurvatureEstimate",
    "ElectronicLength",
    "ElectronicReading",
    "Flag",
    "Instrument",
    "KnownLine",
    "LengthEstimate",
    "LengthRecord",
    "LineArc",
    "Noise",
    "Radiograph",
    "RadiographicLength",
    "SpacingClaim",
    "Tooth",
    "WlmeasureError",
    "WorkingLength",
    "__version__",
    "calibrate_lines",
    "calibrate_spacing",
    "clicks_length",
    "electronic_length",
    "evaluate",
    "fit_line_arc",
    "fit_many",
    "given_path",
    "load_case",
    "measure_curvature",
    "measure_length",
    "radiographic_length",
    "read",
    "reconcile",
    "save_case",
    "trace_line",
]


def __getattr__(name: str) -> object:
    if name not in _HOMES:
        raise AttributeError(f"module 'wlmeasure' has no attribute {name!r}")
    return getattr(import_module(f"wlmeasure.{_HOMES[name]}"), name)


def __dir__() -> list[str]:
    return sorted(__all__)
