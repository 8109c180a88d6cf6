"""Verdicts -> what they amount to for claims, questions and the precautions taken.

claims       what a label promises, held against the results it is about
questions    what the audience was to be told, answered or left open by name
precautions  what was done to deserve trust
"""
