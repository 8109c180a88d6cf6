"""Study folders on disk: reading them, and writing sheets ready to fill. The only room here that opens files.

folder  study.toml, readings/<test>.csv or readings.csv -> Study and Readings
sheets  a starter study, and sheets ready to fill
"""
