"""What a sample of a feed tells before it goes live: tags, rate, units, clocks, frozen values, quality."""
