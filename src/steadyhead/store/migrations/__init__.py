"""How the tables came about, step by step; ``store.database.open_database`` runs what is missing."""
