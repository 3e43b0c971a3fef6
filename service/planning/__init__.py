"""Use cases around a plan: give it, change it, stop it. Each opens a unit of work, calls domain/, and commits.

Start with `aftercare.py`: a visit becomes a plan, its messages and an audit line in one transaction.
"""
