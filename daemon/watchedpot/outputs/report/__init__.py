"""What a shift, a charge or a span of time comes to: one page, from the ledger alone."""
