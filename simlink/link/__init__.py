"""The rule of each part of the chain, written once; both engines call these.

A rule is a plain function of integers (femtoseconds) and truth values. The event engine calls it
as it is, the batch engine calls it compiled. Nothing here knows the order in which an engine
evaluates the rules.
"""
