"""Frozen values that every room shares. They know no files, no server, no clock.

One file a subject: measure (the catalogue), reading, protocol, case, plan, course, check, decision, retrieval, conventions.
Numbers are `Decimal`; days are whole numbers counted from the day of surgery (day 0); moments are intervals in UTC.
"""
