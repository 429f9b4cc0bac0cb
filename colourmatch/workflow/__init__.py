"""What is done with a lot: photo to advice, trials, rechecks, trends; it joins the rooms."""
