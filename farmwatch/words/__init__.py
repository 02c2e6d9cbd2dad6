"""What we talk about: quantities, model, errors. Imports nothing of ours."""
