package link

// CRC16 is CRC-16/MODBUS over b: polynomial 0x8005 reflected, initial value 0xFFFF, no final inversion (catalogue of
// parametrised CRC algorithms: check value 0x4B37 over "123456789").
func CRC16(b []byte) uint16 { return crc16(0xFFFF, b) }

// crc16 goes on from an earlier value.
func crc16(crc uint16, b []byte) uint16 {
	for _, x := range b {
		crc ^= uint16(x)
		for range 8 {
			low := crc & 1
			crc >>= 1
			if low != 0 {
				crc ^= 0xA001
			}
		}
	}
	return crc
}
