"""Which instrument plays which part: bench file, meter sheets, earth and profile schema."""
