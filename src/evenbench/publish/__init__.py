"""One analysis, shown in several ways; nothing is computed here but the digits to print.

contract  the results as one JSON document, format 1
summary   the answer in the terminal
trace     any figure back to its formula, runs and reading rows
report    one self-contained HTML page
"""
