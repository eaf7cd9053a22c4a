print("no")
