"""Named tables: understand headings and cells, split rows into kept and set aside, and account for every one."""
