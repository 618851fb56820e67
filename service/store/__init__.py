"""The store: notes with every revision, repertoires, labels, access and jobs.

`pawnlore.service.store.store.open_store` opens one; each shelf takes it.
"""
