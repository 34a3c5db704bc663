"""Work over many stations, in this process, on this machine's cores, or on many machines."""
