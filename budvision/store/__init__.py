"""The season on disk: its database, its photographs, and every question asked of them."""
