"""What shows that the house keeps its word: values checked against outside sources, and faults sown into the audit."""
