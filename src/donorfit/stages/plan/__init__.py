"""Plan: what will be changed, in which order, why; and the plan that takes it back."""

from donorfit.stages.plan.choices import PlanChoices
from donorfit.stages.plan.make import make_plan
from donorfit.stages.plan.undo import make_undo_plan

__all__ = ["PlanChoices", "make_plan", "make_undo_plan"]
