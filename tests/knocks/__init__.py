"""Hard knocks: a real service, database and broker are killed, starved and misled while readings come in.

``python -m tests.knocks --minutes 60`` runs it by hand; docs/reliability.md says what it tries and what came.
"""
