"""Second opinions: solvers that share nothing with the model they judge."""
