"""Outcomes -> comparisons: what may be said of each product, all of them considered together.

fit           least squares with fixed blocks: estimates, their covariance, what can be estimated at all
simultaneous  the exact distribution of the largest of many comparisons with one control
against       every product against one other: effects, intervals that hold together, adjusted p
best          which products the data cannot rule out as best
verdict       the words, read from the intervals alone
sentences     what a tester would say of one comparison
comparison    the stage: compare(study, outcomes) -> Comparison
"""
