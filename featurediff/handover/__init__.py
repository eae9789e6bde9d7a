"""Calling a detector: its methods one by one, what goes wrong in them contained, and what it hands over checked.

`calls` calls, stops what takes too long and names the culprit; `wellformed` checks the records.
"""
