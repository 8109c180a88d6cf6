"""What a number on the bench is: its unit and dimension, and the formulas that are computed from it.

units    an allow-list of unit spellings, amounts as people write them, conversion to SI and back
formula  a small language of arithmetic: read, checked for dimensions, evaluated, differentiated
errors   what a person can put right in either
"""
