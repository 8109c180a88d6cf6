"""Comparisons -> placings: what each buyer should take, in worthwhile steps, and how sure that is.

price    what one use costs
scores   results combined for one buyer: one score per run and test, then summed over tests
placing  the stage: rank(study, outcomes, comparisons) -> Placing per buyer
"""
