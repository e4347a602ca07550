"""One bring-up from bench to document: what ``bringup`` and ``rehearse`` have in common."""

import argparse
import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import msgspec

from benchlog.bench.check import check_bench
from benchlog.bench.file import Bench
from benchlog.bringup.plan import make_plan
from benchlog.bringup.watch import BringUp
from benchlog.cli.options import unit_from
from benchlog.cli.output import say
from benchlog.cli.reference import load_reference
from benchlog.cli.result import RunReport, events_of
from benchlog.cli.setup import HAND_SET, ammeter_of, periods, sheets, soak_seconds, source_of
from benchlog.model.clock import RealClock
from benchlog.model.event import Instruct, Judged, Marked, Said, StepDone
from benchlog.model.history import RunBegun, RunEnded, RunSaid
from benchlog.model.job import Job
from benchlog.model.role import Role
from benchlog.model.run import RunSetup
from benchlog.model.unit import Unit
from benchlog.recorder.contract import NotJudged, Options, RunResult
from benchlog.recorder.recorder import Recorder
from benchlog.session.lock import Holder
from benchlog.session.reader import SessionReader
from benchlog.session.writer import SessionWriter
from benchlog_drivers.registry import make as make_adaptor
