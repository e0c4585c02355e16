package identity

// Claims are the classes that a card claims, by its registers or by what is printed on it. A class is 0 where none is claimed.
// The zero value claims nothing.
type Claims struct {
	SpeedClass   int // 2, 4, 6, 10
	UHSGrade     int // 1, 3
	VideoClass   int // 6, 10, 30, 60, 90
	ExpressClass int // 150, 300, 450, 600; never in a register that is decoded here
	AppClass     int // 1, 2
}
