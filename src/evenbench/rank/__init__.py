"""Comparisons -> placings: what each buyer should take, in worthwhile steps, and how sure that is.

price    what one use costs
must     must-haves: passed, open, failed
scores   results combined for one buyer: one score per run and test, then summed over tests
advice   the sentence a buyer is given
plain    what a plain rank table would say
placing  the stage: rank(study, readings, comparisons, costs) -> Placing per buyer
"""
