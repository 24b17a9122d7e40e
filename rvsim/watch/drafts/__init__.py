"""The text of a flag, made from the problem that it reports: one function for each kind of problem, one file a subject.

Knows: the terms of the trade, how serious each kind of problem is, and what to try next. Does not know how a problem
was found, nor which flags are open.
"""
