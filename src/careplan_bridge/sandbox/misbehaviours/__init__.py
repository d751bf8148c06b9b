"""Ways in which a server misbehaves, to be switched on one by one.

kind        what a kind is, and the words that kinds are declared in: when (first, always, after), about which requests, what
requests    questions about a request: is it a write, a search, a page?
answers     what may be done to an answer
statuses, connections, bodies, pages, searches, versions, contents, transactions, writes, people, logins    the kinds
registry    all of them, by name
"""
