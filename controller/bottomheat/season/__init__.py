"""The season: batches and their stages, what each wants, what is due."""
