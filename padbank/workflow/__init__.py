"""One function for each thing that a person does; the only place that joins the parts."""
