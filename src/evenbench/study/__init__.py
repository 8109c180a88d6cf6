"""What is compared, how, and what counts as better: the declared study, and the readings taken for it.

model      the study as understood: frozen, with units and formulas resolved
file       the shape of study.toml as a person writes it
parse      text -> Study, with every mistake reported together
positions  where in the text each key and value stands
readings   tables -> Readings: what was written down and still stands
mistakes   a place, a mistake, and the error that carries them all
"""
