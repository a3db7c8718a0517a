/* A small effect without a window, for the tests of the host: a gain that comes 64 frames late and says so. */
#pragma once
#define DISTRHO_PLUGIN_BRAND "Tin Bucket"
#define DISTRHO_PLUGIN_NAME EFFECT_NAME
#define DISTRHO_PLUGIN_URI "urn:example:tin-bucket:" EFFECT_NAME
#define DISTRHO_PLUGIN_CLAP_ID "example.tin-bucket"
#define DISTRHO_PLUGIN_BRAND_ID TinB
#define DISTRHO_PLUGIN_UNIQUE_ID LatG
#define DISTRHO_PLUGIN_HAS_UI 0
#define DISTRHO_PLUGIN_IS_RT_SAFE 1
#define DISTRHO_PLUGIN_NUM_INPUTS 2
#define DISTRHO_PLUGIN_NUM_OUTPUTS 2
#define DISTRHO_PLUGIN_WANT_LATENCY 1
