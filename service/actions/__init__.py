"""What a person can ask the service to do, once, behind every door that asks it."""
