"""Study folders on disk: reading them, and writing sheets ready to fill. The only room here that opens files.

folder  study.toml, readings/<test>.csv or readings.csv -> Study and Readings
table   the text of a sheet -> rows and columns of text
sheets  a starter study, sheets ready to fill, the demo
observations  observations.csv -> Observations
check   what a sound folder holds, and what no figure can rest on
"""
