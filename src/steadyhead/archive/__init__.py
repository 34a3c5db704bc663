"""All readings kept, column by column: in the data folder, or in InfluxDB 2."""
