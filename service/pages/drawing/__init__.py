"""Pictures of the pages: where things stand, in plain numbers; templates draw them."""
