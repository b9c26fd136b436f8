"""What a person sees: one file per command, terminal output, figures."""
