"""The rule of each part of the chain, written once; both engines call these.

Every rule works on int64 femtoseconds, on single values and on arrays of any leading shape.
Nothing here knows the order in which an engine evaluates the rules.
"""
