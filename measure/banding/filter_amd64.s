#include "textflag.h"

// func filterWide(out, x *float64, n int, h *float64, taps int)
//
// Sixteen outputs at a time, in Y0 to Y3. A product is rounded before it is added, as in the Go code.
TEXT ·filterWide(SB), NOSPLIT, $0-40
	MOVQ out+0(FP), DI
	MOVQ x+8(FP), SI
	MOVQ n+16(FP), CX
	MOVQ h+24(FP), DX
	MOVQ taps+32(FP), R8

outputs:
	VBROADCASTSD (DX), Y8
	VMULPD (SI), Y8, Y0
	VMULPD 32(SI), Y8, Y1
	VMULPD 64(SI), Y8, Y2
	VMULPD 96(SI), Y8, Y3
	MOVQ SI, R9  // to the left
	MOVQ SI, R10 // to the right
	MOVQ DX, R11
	MOVQ R8, R12
	DECQ R12
	JZ   store

taps:
	SUBQ $8, R9
	ADDQ $8, R10
	ADDQ $8, R11
	VBROADCASTSD (R11), Y8
	VMOVUPD (R9), Y4
	VMOVUPD 32(R9), Y5
	VMOVUPD 64(R9), Y6
	VMOVUPD 96(R9), Y7
	VADDPD (R10), Y4, Y4
	VADDPD 32(R10), Y5, Y5
	VADDPD 64(R10), Y6, Y6
	VADDPD 96(R10), Y7, Y7
	VMULPD Y8, Y4, Y4
	VMULPD Y8, Y5, Y5
	VMULPD Y8, Y6, Y6
	VMULPD Y8, Y7, Y7
	VADDPD Y4, Y0, Y0
	VADDPD Y5, Y1, Y1
	VADDPD Y6, Y2, Y2
	VADDPD Y7, Y3, Y3
	DECQ R12
	JNZ  taps

store:
	VMOVUPD Y0, (DI)
	VMOVUPD Y1, 32(DI)
	VMOVUPD Y2, 64(DI)
	VMOVUPD Y3, 96(DI)
	ADDQ $128, DI
	ADDQ $128, SI
	SUBQ $16, CX
	JNZ  outputs
	VZEROUPPER
	RET
