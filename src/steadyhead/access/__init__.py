"""Who may do what: roles, accounts, sessions, tokens for programs, and limits on how often."""
