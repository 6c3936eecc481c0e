package model

import "fmt"

// Impose ends the running step and all that would follow, and runs step from now on: for a bench whose user turns knobs instead of
// having a plan. The state of the pack goes on unbroken. The step must have an end as any step; when it has ended the course is done
// until the next Impose. The account of earlier steps is dropped, so that a course may be imposed on for ever.
func (c *Course) Impose(step Step) error {
	if err := step.validate(); err != nil {
		return fmt.Errorf("the step: %w", err)
	}
	if step.Store && c.opts.Store == nil {
		return fmt.Errorf("the step uses a store, and there is none")
	}
	c.cut()
	c.plan, c.idx, c.ended = Plan{step}, -1, nil
	c.beginStep()
	return nil
}
