"""The service around the rules: store, weather, schedule, plan runs, pages and commands."""
