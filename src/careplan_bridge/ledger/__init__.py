"""The local SQLite record: plans, courses, decisions, intents and what a server was last seen to hold.

One file a subject: plans, bindings, decisions, intents, seen; `ledger.Ledger` is all of them behind one lock.
It holds references to patients and clinical documents, so its file is readable by its owner alone.
"""
