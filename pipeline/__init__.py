"""From a practice's procedure records to linked teeth and compared survival."""
