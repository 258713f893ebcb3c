"""Long work at night: `queue` keeps and runs it one by one, `deeds` are what can be asked for."""
