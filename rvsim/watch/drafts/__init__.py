"""From a problem to the words of its flag: a function for each kind of problem, those of one subject in a file.

Knows: the trade's words, how serious each kind is, and what to try next. Does not know how a problem was found, nor
which flags stand.
"""
