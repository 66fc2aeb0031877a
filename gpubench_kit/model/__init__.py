"""What every part knows: the plan, metrics, tables, findings and errors."""
