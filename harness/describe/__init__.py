"""Unit and bench descriptions: TOML in, checked and frozen objects out."""

from harness.describe.bench import Bench, bench_from, load_bench
from harness.describe.calibration import (
    CalibrationFile,
    ClockCalibration,
    DeviationCalibration,
    GeneratorCalibration,
    LevelCalibration,
    ReceiverCalibration,
    SoundCalibration,
    load_calibration,
    same_gain,
    same_tone,
    write_calibration,
)
from harness.describe.cautions import CAUTIONS, LOCAL_RULES, cautions_for
from harness.describe.chemistries import CHEMISTRIES, Chemistry
from harness.describe.connected import (
    Connected,
    GeneratorDescription,
    MeterDescription,
    SimulatedDescription,
    SoundDescription,
)
from harness.describe.examples import EXAMPLES, example_path
from harness.describe.level_chains import LevelBox, LevelChain, LevelWire, level_chains
from harness.describe.level_plan import LevelLine, LevelPlan, level_plan
from harness.describe.path import PathElement
from harness.describe.plan import PLANS, Plan, load_plan, plan_from, plan_path
from harness.describe.receiver import InputReceiver, OutputReceiver, Receiver
from harness.describe.unit import Battery, Unit, load_unit, unit_from

__all__ = [
    "CAUTIONS",
    "CHEMISTRIES",
    "EXAMPLES",
    "LOCAL_RULES",
    "PLANS",
    "Battery",
    "Bench",
    "CalibrationFile",
    "Chemistry",
    "ClockCalibration",
    "Connected",
    "DeviationCalibration",
    "GeneratorCalibration",
    "GeneratorDescription",
    "InputReceiver",
    "LevelBox",
    "LevelCalibration",
    "LevelChain",
    "LevelLine",
    "LevelPlan",
    "LevelWire",
    "MeterDescription",
    "OutputReceiver",
    "PathElement",
    "Plan",
    "Receiver",
    "ReceiverCalibration",
    "SimulatedDescription",
    "SoundCalibration",
    "SoundDescription",
    "Unit",
    "bench_from",
    "cautions_for",
    "example_path",
    "level_chains",
    "level_plan",
    "load_bench",
    "load_calibration",
    "load_plan",
    "load_unit",
    "plan_from",
    "plan_path",
    "same_gain",
    "same_tone",
    "unit_from",
    "write_calibration",
]
