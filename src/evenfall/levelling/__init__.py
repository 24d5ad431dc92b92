"""Clearance and headroom become a plan: the linear program, the ways of working, the reasons."""

from evenfall.levelling.diagnosis import Diagnosis, diagnose
from evenfall.levelling.planner import make_plan
from evenfall.levelling.tradeoff import TradeOff, trade_off

__all__ = ["Diagnosis", "TradeOff", "diagnose", "make_plan", "trade_off"]
