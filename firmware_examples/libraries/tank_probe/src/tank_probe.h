// The parts of a probe; each header stands alone and says what it does.
#pragma once
#include "ds18b20.h"
#include "lamp.h"
#include "senml_line.h"
#include "thermistor.h"
