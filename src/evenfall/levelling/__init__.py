"""Clearance and buzz force become a plan: the linear program, the methods, the reasons."""

from evenfall.levelling.diagnosis import Diagnosis, diagnose
from evenfall.levelling.session import Session, make_plan
from evenfall.levelling.tradeoff import trade_off

__all__ = ["Diagnosis", "Session", "diagnose", "make_plan", "trade_off"]
