"""Cut points of one rater and of a panel, with intervals and tests.

In: pairs of force and score on a scale.
Out: cut points in newtons with intervals, and tests of the model that gave them.
"""

__all__ = [
    "cutmodel",
    "dependence",
    "diagnosis",
    "intervals",
    "modeltests",
    "panel",
    "panellikelihood",
    "panelposterior",
    "panelsetup",
    "penalised",
    "ratershift",
]
