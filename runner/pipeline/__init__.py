"""One recipe, one scan set, one inspection: joins the rooms; holds no measuring of its own."""
