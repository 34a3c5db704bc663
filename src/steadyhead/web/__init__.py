"""The pages people look at: templates, static files of our own, and the few lines that fill them."""
