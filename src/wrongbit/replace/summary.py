"""A plan as plain values, for JSON and for tables: nothing is computed here that the plan does not hold."""

from __future__ import annotations

from typing import Any

from wrongbit.replace.figures import Term
from wrongbit.replace.fit import Fitting, Plan, Refusal
from wrongbit.replace.levels import LevelCheck
from wrongbit.replace.timing import Budget
from wrongbit.replace.wiring import cautions, jumper_table, parts_list, plan_notes, wiring_table


def fitting_summary(found: Fitting) -> dict[str, Any]:
    """The best plan in full, the others in a line each, and what was refused."""
    return {
        "plan": plan_summary(found.plans[0]) if found.plans else None,
        "others": [brief(plan) for plan in found.plans[1:]],
        "refused": [_refusal(each) for each in found.refused],
    }


def brief(plan: Plan) -> dict[str, Any]:
    """A plan in a line."""
    worst = plan.worst
    return {
        "part": plan.name,
        "verdict": plan.verdict,
        "drop_in": plan.drop_in,
        "logic": sorted({d.number for d in plan.circuit.devices if d.part in ("latch", "gate", "buffer")}),
        "family": plan.family,
        "worst_edge": None if worst is None else worst.edge,
        "worst_margin_ps": None if worst is None else worst.margin_ps,
        "worst_margin_percent": None if worst is None else _rounded(worst.margin_percent),
        "status": plan.status,
    }


def plan_summary(plan: Plan) -> dict[str, Any]:
    """Everything that a plan says."""
    need = plan.need
    return {
        **brief(plan),
        "designator": need.designator,
        "machine": need.machine,
        "old_chip": need.socket.name,
        "wiring_scheme": plan.circuit.scheme,
        "timing": [_budget(each) for each in plan.timing],
        "levels": [_level(each) for each in plan.levels],
        "grades": [{"suffix": suffix, "least_margin_ps": margin} for suffix, margin in plan.grades],
        "wiring": [vars(row) for row in wiring_table(plan)],
        "parts": [vars(line) for line in parts_list(plan)],
        "jumpers": [vars(setting) for setting in jumper_table(plan)] if plan.circuit.jumpers else [],
        "notes": list(plan_notes(plan)),
        "cautions": list(cautions(plan)),
    }


def _refusal(refusal: Refusal) -> dict[str, Any]:
    return {"memory": refusal.memory, "reasons": list(refusal.reasons), "remedy": refusal.remedy}


def _rounded(percent: float | None) -> float | None:
    return None if percent is None else round(percent, 1)


def _term(term: Term) -> dict[str, Any]:
    return {"name": term.name, "ps": term.ps, "status": term.status, "source": term.source}


def _budget(budget: Budget) -> dict[str, Any]:
    return {
        "edge": budget.edge,
        "available_ps": budget.available_ps,
        "needed_ps": budget.needed_ps,
        "margin_ps": budget.margin_ps,
        "margin_percent": _rounded(budget.margin_percent),
        "status": budget.status,
        "missing": budget.missing or None,
        "available": [_term(term) for term in budget.available or ()],
        "needs": [_term(term) for term in budget.needs],
    }


def _level(check: LevelCheck) -> dict[str, Any]:
    return {
        "driver": check.driver,
        "loads": list(check.loads),
        "nets": list(check.nets),
        "margin_high_v": check.margin_high,
        "margin_low_v": check.margin_low,
        "share_high": round(check.share_high, 3),
        "share_low": round(check.share_low, 3),
        "fits": check.fits,
        "status": check.status,
    }
