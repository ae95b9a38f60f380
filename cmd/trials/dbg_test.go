package main
import ("testing";"fmt";"math";"sync";"swathkeeper/measure/banding";"swathkeeper/measure/madeup")
func TestDbg(t *testing.T){
 var mu sync.Mutex
 each(40,func(b int){
		rng := seeded(500, b)
		tr := madeup.KnitTracer()
		k := madeup.Knit{PitchMM: 0.5 + 0.75*rng.Float64(), RMS: 0.2 + rng.Float64(), Harmonic: 0.4 * rng.Float64(),
			CoherenceMM: 20 + 60*rng.Float64(), Wander: 0.3 * rng.Float64(), SkewDeg: 5 * rng.Float64()}
		if b!=7&&b!=5&&b!=20 {return}
		heavy := b%2 == 1
		if heavy { tr.Noise.TailDF = 4 }
		draw := func() []banding.Trace {
			tr.Knit = k
			tr.Knit.PitchMM *= 1 + 0.005*rng.NormFloat64()
			tr.Knit.SkewDeg = math.Abs(k.SkewDeg + 0.5*rng.NormFloat64())
			r, _ := tr.Traces(madeup.State{}, rng)
			return r
		}
		var rs [][]banding.Trace
		for range 10 { rs = append(rs, draw()) }
		base, _ := banding.Learn(tr.Geometry(), rs, banding.Options{})
		d, _ := base.Prepare()
		for range 50 {
			r, _ := d.Judge(draw())
			for _,c:=range r.Channels{ for _,l:=range c.Lines{ mu.Lock(); tex:=0; for _,w:=range r.Warnings{if w.Code=="texture"{tex++}}; fmt.Printf("b %d heavy %v knit %.2f rms %.2f skew %.1f ch %s %s rep %d score %.2f lim %.2f con %.3f conf %v tex %d null %.3f own %.3f sing %.3f hv %.2f\n",b,heavy,k.PitchMM,k.RMS,k.SkewDeg,c.Channel,l.Kind,l.Repeats,l.Score,l.Limit,l.Contrast,l.Confirmed,tex,base.Channels[0].Null.Line,base.Channels[0].OwnNull.Line,base.Channels[0].Null.Single,base.Channels[0].Null.SingleHeavy); mu.Unlock()}}
		}
 })
}
