"""The watch: looks at sources and store, and tells people once what needs them.

`description` reads what to watch and whom to tell, `matters` says what needs a person, `ledger`
what of it was told already, `timing` when to tell, `messages` in which words, `channels` by which
way; `service` does it all again and again, `status` says how it goes.
"""
