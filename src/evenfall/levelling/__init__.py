"""Clearance and touch force become a plan: the linear program, the methods, the reasons."""

from evenfall.levelling.diagnosis import Diagnosis, diagnose
from evenfall.levelling.session import Preview, Session, make_plan
from evenfall.levelling.tradeoff import TradeOff, trade_off

__all__ = ["Diagnosis", "Preview", "Session", "TradeOff", "diagnose", "make_plan", "trade_off"]
