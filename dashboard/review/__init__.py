"""The pack for the review meeting: what it says (`contents`), and its files.

A tour: `period.parse` reads which week, month, quarter or days; `dashboard.as_of.StoreAsOf` shows
the store as it was at the end of them; `contents.contents_of` gathers everything the pack says as
plain values, section by section in the order of the agenda; `html`, `pdf` and `tables` turn these
into files, `making` any of them by its ending; `seal` marks a file so that a changed byte is found.
"""
