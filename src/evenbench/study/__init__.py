"""What is compared, how, and what counts as better: the declared study, and the readings taken for it.

model       the study as understood: frozen, with units and formulas resolved
parse       text -> Study, with every mistake reported together; in three passes:
  toml        the text, or where it cannot be read on
  file, shape which keys stand where, and of which sort; what has the wrong shape is cut out
  checks      single values: amounts, units, days, ids, formulas
  parse_tests one test: who enters it, its readings, results and margins
notes       mistakes as they are found, by path
positions   where in the text each key and value stands
readings    tables -> Readings: what was written down and still stands
cells       the number in one cell, or what to write
observations what was seen, in words, with the runs it is about
guards      figures to look at again: doubts with their place
slips       how a figure lies to its like, and which slips would have put it there
mistakes    a place, a mistake, and the error that carries them all
"""
