module stuntcell

go 1.26.8
