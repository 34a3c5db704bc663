"""The live run: readings in, journal, order, engine, desk; and the room that holds it all together."""
