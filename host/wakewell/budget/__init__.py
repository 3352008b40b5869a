"""Battery life and tank autonomy with their doubt, and what to buy for so many days away.

Reading order: inputs.py (numbers and their doubts), course.py (what follows), sizing.py (what to
buy), told.py (words), command.py. doubt.py is the arithmetic under all of them.
"""
