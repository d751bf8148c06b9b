"""Writing to a server, so that each effect comes about once: the plan, the decision, and what may go unsigned.

identity   the resource that carries an identity: one, none, or several
routes     what this server lets us do, as data
writes     a guarded create or update, as a value
managed    did someone else change what we are about to change?
converge   reads, writes what is missing, and remembers; every run does the same, so a run that died is simply run again
push, decision, unsigned, resume    the four occasions
"""
